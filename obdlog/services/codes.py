"""Trouble codes in replies of services 03, 07 and 0A, and of ISO 14229-1 service 19."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.layout import check_reply
from obdlog.tables.code_text import code_number, code_text

CONFIRMED, PENDING, PERMANENT = "confirmed", "pending", "permanent"

STATUS_OF_REPLY = {0x43: CONFIRMED, 0x47: PENDING, 0x4A: PERMANENT}
"""What a code in a reply of services 03, 07 and 0A is (SAE J1979)."""

UDS_REPLY = 0x59
_PADDING = (b"\x00", b"\x55", b"\xaa", b"\xcc", b"\xff")
_BY_STATUS_MASK = 0x02
_OBD_BY_MASK = 0x42
_OBD_PERMANENT = 0x55

STATUS_BITS = (
    (0x08, CONFIRMED),
    (0x04, PENDING),
    (0x01, "failing-now"),
    (0x02, "failed-this-cycle"),
    (0x20, "failed-since-clear"),
    (0x10, "not-tested"),
    (0x40, "not-tested-this-cycle"),
    (0x80, "lamp-requested"),
)
"""Bits of the ISO 14229-1 status byte, the most telling first."""


@dataclass(frozen=True, slots=True)
class Code:
    """A trouble code; `failure_type` is the third byte of ISO 14229-1 codes, two hex digits."""

    text: str
    failure_type: str | None = None
    status: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CodeReply:
    """The codes of one reply; `problem` says what in it disagrees with its own count."""

    codes: tuple[Code, ...]
    problem: str = ""


def code_from_bytes(two: bytes) -> str:
    """Return the text of a two-byte code: 01 02 is ``P0102``, 80 39 is ``B0039``.

    Raises
    ------
    ValueError
        Not two bytes.

    References
    ----------
    SAE J2012: two letter bits, two digit bits, three hexadecimal digits.
    """
    if len(two) != 2:
        raise ValueError(f"a code has 2 bytes, not {len(two)}")
    return code_text(int.from_bytes(two, "big"))


def code_to_bytes(text: str) -> bytes:
    """Return the two bytes of a code.

    Raises
    ------
    ValueError
        Not a letter P, C, B or U, a digit 0–3 and three hexadecimal digits.
    """
    return code_number(text).to_bytes(2, "big")


def parse_codes(payload: bytes, bus: Bus = Bus.CAN) -> tuple[Code, ...]:
    """Return the codes of a reply of services 03, 07, 0A or 19, without padding.

    Raises
    ------
    DecodeError
        Not such a reply, or cut short.
    """
    return read_codes(payload, bus).codes


def read_codes(payload: bytes, bus: Bus = Bus.CAN) -> CodeReply:
    """Return the codes of a reply, and what disagrees where a count is wrong.

    On CAN a count byte follows the service; on the older buses codes fill messages in threes,
    padded with 0000.

    Raises
    ------
    DecodeError
        Not such a reply, or cut short.

    References
    ----------
    SAE J1979, services 03, 07 and 0A; ISO 14229-1, service 19.
    """
    if payload[:1] == bytes([UDS_REPLY]):
        return _read_uds(payload)
    if not payload or payload[0] not in STATUS_OF_REPLY:
        raise DecodeError("not a reply of services 03, 07 or 0A", payload=payload)
    check_reply(payload, payload[0], least=2 if bus is Bus.CAN else 1)
    status = (STATUS_OF_REPLY[payload[0]],)
    body = payload[2:] if bus is Bus.CAN else payload[1:]
    if bus is Bus.CAN and _is_padding(body[payload[1] * 2 :]):
        body = body[: payload[1] * 2]
    codes = tuple(
        Code(code_from_bytes(pair), None, status) for pair in _records(body, 2) if any(pair)
    )
    problem = ""
    if bus is Bus.CAN and payload[1] * 2 != len(body) and payload[1] != len(codes):
        problem = (
            f"the reply counts {payload[1]} codes but carries {len(codes)}; "
            "a reply of an older bus has no count"
        )
    elif len(body) % 2:
        problem = "one byte is left over after the last code"
    return CodeReply(codes, problem)


def _is_padding(rest: bytes) -> bool:
    """Return whether `rest` is the filler of a last frame (00, 55, AA, CC or FF throughout)."""
    return rest[:1] in _PADDING and not rest.strip(rest[:1])


def _records(body: bytes, size: int) -> Iterator[bytes]:
    return (body[i : i + size] for i in range(0, len(body) - size + 1, size))


def _read_uds(payload: bytes) -> CodeReply:
    """Return the codes of service 19 reports 02, 42 and 55; others have no code list."""
    check_reply(payload, UDS_REPLY, least=3)
    report = payload[1]
    if report == _BY_STATUS_MASK:
        body, size, at = payload[3:], 4, 0
    elif report == _OBD_BY_MASK:
        # 59 42 group, status mask, severity mask, format; severity stands before each code.
        body, size, at = payload[6:], 5, 1
    elif report == _OBD_PERMANENT:
        body, size, at = payload[5:], 4, 0
    else:
        raise DecodeError(f"report type {report:02X} of service 19 is not read", payload=payload)
    codes = []
    for record in _records(body, size):
        code, status = record[at : at + 3], status_names(record[at + 3])
        if report == _OBD_PERMANENT:
            status = (PERMANENT, *status)
        if any(code):
            codes.append(Code(code_from_bytes(code[:2]), f"{code[2]:02X}", status))
    problem = f"{len(body) % size} bytes are left over after the last code"
    return CodeReply(tuple(codes), problem if len(body) % size else "")


def status_names(status: int) -> tuple[str, ...]:
    """Return the names of the set bits of an ISO 14229-1 status byte, the most telling first."""
    return tuple(name for bit, name in STATUS_BITS if status & bit)
