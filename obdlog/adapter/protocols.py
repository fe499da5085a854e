"""The nine legislated protocols by their number in the dialect, and how to address each.

Numbers are those the adapter reports; from memory, common practice. Headers follow the
published standards: SAE J1979, ISO 9141-2, ISO 14230-2/-4, SAE J2178-1 (from memory) and
ISO 15765-4.
"""

from __future__ import annotations

import re

from obdlog.model import FUNCTIONAL, Bus
from obdlog.transport.base import BusProtocol

PROTOCOLS: dict[str, BusProtocol] = {
    p.number: p
    for p in (
        BusProtocol("1", "SAE J1850 PWM 41.6 kbit/s", Bus.LEGACY, 0, 41_600),
        BusProtocol("2", "SAE J1850 VPW 10.4 kbit/s", Bus.LEGACY, 0, 10_400),
        BusProtocol("3", "ISO 9141-2", Bus.LEGACY, 0, 10_400),
        BusProtocol("4", "ISO 14230-4 slow start", Bus.LEGACY, 0, 10_400),
        BusProtocol("5", "ISO 14230-4 fast start", Bus.LEGACY, 0, 10_400),
        BusProtocol("6", "ISO 15765-4 CAN 11 bit, 500 kbit/s", Bus.CAN, 11, 500_000),
        BusProtocol("7", "ISO 15765-4 CAN 29 bit, 500 kbit/s", Bus.CAN, 29, 500_000),
        BusProtocol("8", "ISO 15765-4 CAN 11 bit, 250 kbit/s", Bus.CAN, 11, 250_000),
        BusProtocol("9", "ISO 15765-4 CAN 29 bit, 250 kbit/s", Bus.CAN, 29, 250_000),
    )
}

TESTER_ADDRESS = "F1"

FUNCTIONAL_HEADERS: dict[str, str] = {
    "1": "616AF1",
    "2": "686AF1",
    "3": "686AF1",
    "4": "C233F1",  # the adapter puts the true length into the low six bits
    "5": "C233F1",
    "6": "7DF",
    "7": "18DB33F1",
    "8": "7DF",
    "9": "18DB33F1",
}
"""Header of a request to every emission-related module, by protocol number."""

OTHER_WIDTH = {"6": "7", "7": "6", "8": "9", "9": "8"}
"""Number of the CAN protocol with the other identifier width and the same bit rate."""

_LEGISLATED_11_BIT = frozenset(f"7E{n}" for n in range(8))
_HEX = re.compile(r"[0-9A-F]+")


def header_commands(protocol: BusProtocol, target: str) -> tuple[str, ...]:
    """Return the AT commands that address `target`, the indispensable one first.

    An adapter may refuse the later ones: they set the priority bits, whose default suits the
    legislated addresses.

    Parameters
    ----------
    protocol
        The protocol in use.
    target
        ``functional``, or a physical request address: ``7E0`` on 11-bit CAN; ``18DA10F1``,
        ``DA10F1`` or ``10`` on 29-bit CAN; ``10`` on J1850 VPW and ISO 14230.

    Raises
    ------
    ValueError
        The target does not fit the protocol, or the protocol only knows functional requests
        (ISO 9141-2, J1850 PWM as legislated).

    References
    ----------
    ISO 15765-4 (addresses), ISO 14230-2 (format byte), SAE J2178-1 (J1850 header byte).
    """
    functional = target == FUNCTIONAL
    if protocol.id_bits == 11:
        return (f"ATSH{FUNCTIONAL_HEADERS['6'] if functional else _physical_11(target)}",)
    if protocol.id_bits == 29:
        header = FUNCTIONAL_HEADERS["7"] if functional else _physical_29(target)
        return (f"ATSH{header[2:]}", f"ATCP{header[:2]}")
    if functional:
        return (f"ATSH{FUNCTIONAL_HEADERS[protocol.number]}",)
    unit = _hex(target, 2)
    first = {"2": "6C", "4": "82", "5": "82"}.get(protocol.number)
    if first is None:
        raise ValueError(f"{protocol.name} has no physical requests")
    return (f"ATSH{first}{unit}{TESTER_ADDRESS}",)


def response_address(protocol: BusProtocol, target: str) -> str | None:
    """Return the source address with which `target` answers, None when that is unknown.

    Raises
    ------
    ValueError
        The target does not fit the protocol.

    References
    ----------
    ISO 15765-4: responses use the request identifier plus 8, or the swapped address bytes.
    """
    if target == FUNCTIONAL:
        return None
    if protocol.id_bits == 11:
        request = _physical_11(target)
        return f"{int(request, 16) + 8:03X}" if request in _LEGISLATED_11_BIT else None
    if protocol.id_bits == 29:
        header = _physical_29(target)
        return f"{header[:4]}{header[6:]}{header[4:6]}"
    return _hex(target, 2)


def request_address(protocol: BusProtocol, source: str) -> str | None:
    """Return the physical request address of the module that answers as `source`.

    None where the standards do not tell: 11-bit identifiers beyond 7E8–7EF, and protocols
    without physical requests.
    """
    if protocol.id_bits == 11:
        found = re.fullmatch(r"7E([89A-F])", source.upper())
        return f"7E{int(found[1], 16) - 8}" if found else None
    if protocol.id_bits == 29:
        found = re.fullmatch(r"18DA([0-9A-F]{2})([0-9A-F]{2})", source.upper())
        return f"18DA{found[2]}{found[1]}" if found else None
    if protocol.number in {"2", "4", "5"} and re.fullmatch(r"[0-9A-F]{2}", source.upper()):
        return source.upper()
    return None


def _physical_11(target: str) -> str:
    text = _hex(target, 3)
    if int(text, 16) > 0x7FF:
        raise ValueError(f"{text} is not an 11-bit identifier")
    return text


def _physical_29(target: str) -> str:
    text = target.upper()
    if len(text) == 2:
        text = f"18DA{text}{TESTER_ADDRESS}"
    elif len(text) == 6:
        text = f"18{text}"
    text = _hex(text, 8)
    if int(text, 16) > 0x1FFF_FFFF:
        raise ValueError(f"{text} is not a 29-bit identifier")
    return text


def _hex(text: str, digits: int) -> str:
    upper = text.upper()
    if len(upper) != digits or not _HEX.fullmatch(upper):
        raise ValueError(f"{text!a} is not an address of {digits} hexadecimal digits")
    return upper
