"""Trouble codes of ISO 14230-3: services 18, 17, 13 and the erase 14.

References
----------
ISO 14230-3 (from memory): layouts; groups of codes as Scapy's ``automotive.kwp`` layer has them;
the parts of the status byte as several public programs name them.
"""

from __future__ import annotations

from obdlog.errors import DecodeError
from obdlog.services.code_reply import (
    CONFIRMED,
    FAILING_NOW,
    LAMP_REQUESTED,
    NOT_TESTED,
    PENDING,
    Code,
    CodeReply,
    chunks,
    code_from_bytes,
)
from obdlog.services.layout import check_reply, is_filler

BY_STATUS, STATUS_OF, CODES, CLEAR = 0x18, 0x17, 0x13, 0x14

STORED_WITH_STATUS, STORED_TWO_BYTES = 0x00, 0x02
"""What service 18 is asked for: stored codes; the same with the codes' digits hexadecimal."""

ALL_GROUPS = 0xFF00
"""The group that holds every code."""

SUPPORTED = frozenset({0x01, 0x03})
"""The same for every code that a module could set, whether it did or not."""

REPLIES = {0x58: 3, 0x57: 3, 0x53: 2}
"""Bytes of one code in each reply."""

_STORAGE = {
    0x00: (),
    0x20: (CONFIRMED,),  # stored; not there at the time of the request
    0x40: (PENDING, FAILING_NOW),  # there, and not long enough to be stored
    0x60: (CONFIRMED, FAILING_NOW),
}
_STORAGE_BITS, _NOT_TESTED_BIT, _LAMP_BIT = 0x60, 0x10, 0x80

_SYMPTOMS = {
    0x00: "",
    0x01: "above its highest allowed value",
    0x02: "below its lowest allowed value",
    0x04: "no signal",
    0x08: "implausible signal",
}


def _group(group: int) -> bytes:
    if not 0 <= group <= 0xFFFF:
        raise ValueError(f"a group of codes must be within 0000 and FFFF, not {group}")
    return group.to_bytes(2, "big")


def build_older_codes(status: int = STORED_WITH_STATUS, group: int = ALL_GROUPS) -> bytes:
    """Return the request for codes with their status (18).

    Raises
    ------
    ValueError
        The kind of status does not fit one byte, or the group (here and below) two.
    """
    if not 0 <= status <= 0xFF:
        raise ValueError(f"a kind of status must be within 00 and FF, not {status}")
    return bytes([BY_STATUS, status]) + _group(group)


def build_older_status(group: int = ALL_GROUPS) -> bytes:
    """Return the request for the status of one code, or of a group of them (17)."""
    return bytes([STATUS_OF]) + _group(group)


def build_older_plain(group: int = ALL_GROUPS) -> bytes:
    """Return the request for codes without their status (13)."""
    return bytes([CODES]) + _group(group)


def build_older_clear(group: int = ALL_GROUPS) -> bytes:
    """Return the request that erases a group of codes (14): see `registry.changes_vehicle`."""
    return bytes([CLEAR]) + _group(group)


def asks_for_supported(request: bytes) -> bool:
    """Return whether a request asks which codes a module could set, not which it did."""
    return request[:1] == bytes([BY_STATUS]) and len(request) > 1 and request[1] in SUPPORTED


def older_status(status: int) -> tuple[str, ...]:
    """Return an ISO 14230-3 status byte in the words of ISO 14229-1.

    The lamp bit of a code that is neither stored nor there only says that it would light the
    lamp; there it does not count.
    """
    words = _STORAGE[status & _STORAGE_BITS]
    if status & _NOT_TESTED_BIT:
        words = (*words, NOT_TESTED)
    if status & _LAMP_BIT and status & _STORAGE_BITS:
        words = (*words, LAMP_REQUESTED)
    return words


def symptom(status: int) -> str:
    """Return how the test failed, "" where the status byte does not say."""
    return _SYMPTOMS.get(status & 0x0F, "of several kinds")


def read_older(payload: bytes) -> CodeReply:
    """Return the codes of a reply of services 18, 17 and 13, checked against its count.

    A code of service 13 has no status: it is stored, and no more is known. What stands behind
    the one code that service 17 was asked for is the maker's, and stays bytes.

    Raises
    ------
    DecodeError
        Not such a reply, or cut short.
    """
    size = REPLIES.get(payload[0]) if payload else None
    if size is None:
        raise DecodeError("not a reply of services 13, 17 or 18", payload=payload)
    check_reply(payload, payload[0], least=2)
    count, body = payload[1], payload[2:]
    rest = body[count * size :]
    data = b""
    if is_filler(rest) or (rest and payload[0] == STATUS_OF + 0x40):
        body = body[: count * size]
        data = b"" if is_filler(rest) else rest
    found = [_older_code(record) for record in chunks(body, size)]
    problem = ""
    if len(found) != count:
        problem = f"the reply counts {count} codes but carries {len(found)}"
    elif len(body) % size:
        problem = f"{len(body) % size} bytes are left over after the last code"
    return CodeReply(
        tuple(code for code in found if code is not None), problem, count=count, data=data
    )


def _older_code(record: bytes) -> Code | None:
    if not any(record[:2]):
        return None
    text = code_from_bytes(record[:2])
    if len(record) == 2:
        return Code(text, None, (CONFIRMED,))
    status = record[2]
    return Code(text, None, older_status(status), status, symptom=symptom(status))
