"""Negative responses and what they mean.

ISO 14229-1 and ISO 14230-3 give some codes different meanings. Which of them a module speaks
decides; where that is not known, the bus does (CAN, or the older serial buses). Wording is ours;
numbers are from memory of the standards.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import NEGATIVE_RESPONSE, RESPONSE_PENDING, Bus
from obdlog.modules import Language

SERVICE_NOT_SUPPORTED = 0x11
SUB_FUNCTION_NOT_SUPPORTED = 0x12
BUSY = 0x21
CONDITIONS_NOT_CORRECT = 0x22
OUT_OF_RANGE = 0x31
SUB_FUNCTION_NOT_IN_SESSION = 0x7E
SERVICE_NOT_IN_SESSION = 0x7F

NOT_SUPPORTED = frozenset({SERVICE_NOT_SUPPORTED, SUB_FUNCTION_NOT_SUPPORTED})
OTHER_SESSION = frozenset({SUB_FUNCTION_NOT_IN_SESSION, SERVICE_NOT_IN_SESSION})
"""Refusals that the extended session may lift (ISO 14229-1)."""

_ISO_14229 = {
    0x10: "refused without a stated reason",
    SERVICE_NOT_SUPPORTED: "this service is not supported",
    SUB_FUNCTION_NOT_SUPPORTED: "this sub-function is not supported",
    0x13: "the request has a wrong length or format",
    0x14: "the reply would be too long for the bus",
    BUSY: "busy; ask again later",
    CONDITIONS_NOT_CORRECT: "the vehicle's conditions do not allow this now",
    0x24: "requests came in the wrong order",
    0x25: "a component behind this module did not answer",
    0x26: "a failure in the module prevents it",
    OUT_OF_RANGE: "the requested item is out of range or not supported",
    0x33: "access is locked; the module wants security access first",
    0x34: "authentication is required",
    0x35: "the security key is wrong",
    0x36: "too many failed attempts to unlock",
    0x37: "a waiting time has not passed yet",
    0x38: "secured data transmission is required",
    0x39: "secured data transmission is not allowed",
    0x3A: "the secured data could not be verified",
    0x50: "certificate refused: outside its period of validity",
    0x51: "certificate refused: wrong signature",
    0x52: "certificate refused: chain of trust broken",
    0x53: "certificate refused: wrong type",
    0x54: "certificate refused: wrong format",
    0x55: "certificate refused: wrong content",
    0x56: "certificate refused: wrong scope",
    0x57: "certificate refused: revoked",
    0x58: "proof of ownership failed",
    0x59: "the challenge could not be calculated",
    0x5A: "access rights could not be set",
    0x5B: "no session key could be made",
    0x5C: "the configuration data could not be used",
    0x5D: "signing off failed",
    0x70: "upload or download not accepted",
    0x71: "a fault ended the data transfer; it has to begin anew",
    0x72: "programming failed",
    0x73: "data block out of sequence",
    RESPONSE_PENDING: "received and being worked on; the answer follows",
    SUB_FUNCTION_NOT_IN_SESSION: "this sub-function is not supported in the present diagnostic "
    "session",
    SERVICE_NOT_IN_SESSION: "this service is not supported in the present diagnostic session",
    0x81: "engine speed too high",
    0x82: "engine speed too low",
    0x83: "the engine is running",
    0x84: "the engine is not running",
    0x85: "the engine has not run long enough",
    0x86: "temperature too high",
    0x87: "temperature too low",
    0x88: "vehicle speed too high",
    0x89: "vehicle speed too low",
    0x8A: "accelerator pedal or throttle opened too far",
    0x8B: "accelerator pedal or throttle not opened far enough",
    0x8C: "the gearbox is not in neutral",
    0x8D: "the gearbox is not in gear",
    0x8F: "the brake pedal is not pressed",
    0x90: "the selector is not in park",
    0x91: "the torque converter clutch is locked",
    0x92: "supply voltage too high",
    0x93: "supply voltage too low",
    0x94: "a needed resource is not available at the moment",
}
_ISO_14230 = {
    **{code: _ISO_14229[code] for code in (0x10, 0x11, 0x21, 0x31, 0x33, 0x35, 0x36, 0x37, 0x78)},
    0x12: "this sub-function is not supported, or the request's format is wrong",
    0x22: "the vehicle's conditions do not allow this now, or requests came in the wrong order",
    0x23: "the routine has not finished, or the service is still in progress",
    0x40: "download not accepted",
    0x41: "wrong kind of download",
    0x42: "cannot download to this address",
    0x43: "cannot download this number of bytes",
    0x50: "upload not accepted",
    0x51: "wrong kind of upload",
    0x52: "cannot upload from this address",
    0x53: "cannot upload this number of bytes",
    0x71: "data transfer suspended",
    0x72: "data transfer aborted",
    0x74: "illegal address in a block transfer",
    0x75: "illegal number of bytes in a block transfer",
    0x76: "illegal kind of block transfer",
    0x77: "checksum error in a block transfer",
    0x79: "wrong number of bytes during a block transfer",
    0x80: "this service is not supported in the present diagnostic mode",
}
_MAKERS_ISO_14229 = range(0xF0, 0xFF)
_MAKERS_ISO_14230 = range(0x90, 0xFF)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A negative response: the refused `service` and the `code`, two hex digits each."""

    service: str
    code: str
    meaning: str


_OLDER_SERVICES = frozenset({0x12, 0x13, 0x17, 0x18, 0x1A, 0x20, 0x21, 0x30, 0x3B, 0x81, 0x82})
"""Services that only ISO 14230-3 has."""

_ERASE, _OLDER_GROUP = 0x14, 3
"""An erase of ISO 14230-3 is three bytes long, one of ISO 14229-1 four."""


def language_of(request: bytes, bus: Bus = Bus.CAN) -> Language:
    """Return the language that `request` is in: its service tells, else the bus."""
    older = request[:1] and (
        request[0] in _OLDER_SERVICES or (request[0] == _ERASE and len(request) == _OLDER_GROUP)
    )
    if older:
        return Language.ISO_14230
    newer = request[:1] == b"\x19" or (request[:1] == bytes([_ERASE]) and len(request) == 4)
    if newer or bus is Bus.CAN:
        return Language.ISO_14229
    return Language.ISO_14230


def meaning(code: int, bus: Bus = Bus.CAN, language: Language | None = None) -> str:
    """Return what negative response `code` means, in plain words.

    `language` is the one that the module speaks; None where only the `bus` is known.

    Raises
    ------
    ValueError
        `code` is not a byte.

    References
    ----------
    ISO 14229-1, negative response codes; ISO 14230-3 for the older language.
    """
    if not 0 <= code <= 0xFF:
        raise ValueError(f"a negative response code is a byte, not {code}")
    older = bus is Bus.LEGACY if language is None else language is Language.ISO_14230
    known = (_ISO_14230 if older else _ISO_14229).get(code)
    if known is not None:
        return known
    if code in (_MAKERS_ISO_14230 if older else _MAKERS_ISO_14229):
        return "a condition that the vehicle's maker defines is not met"
    return "a code that the standard leaves undefined"


def parse_refusal(payload: bytes, bus: Bus = Bus.CAN, language: Language | None = None) -> Refusal:
    """Return the refusal in a negative response (7F, service, code).

    Raises
    ------
    DecodeError
        Not a negative response, or cut short.
    """
    if payload[:1] != bytes([NEGATIVE_RESPONSE]):
        raise DecodeError("not a negative response", payload=payload)
    if len(payload) < 3:
        raise DecodeError("a negative response has 3 bytes; this one is cut short", payload=payload)
    service, code = payload[1], payload[2]
    return Refusal(f"{service:02X}", f"{code:02X}", meaning(code, bus, language))
