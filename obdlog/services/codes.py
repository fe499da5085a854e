"""Trouble codes in replies of services 03, 07 and 0A, and of ISO 14229-1 service 19."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.layout import check_reply, is_filler
from obdlog.tables.code_text import code_number, code_text

CONFIRMED, PENDING, PERMANENT = "confirmed", "pending", "permanent"

STATUS_OF_REPLY = {0x43: CONFIRMED, 0x47: PENDING, 0x4A: PERMANENT}
"""What a code in a reply of services 03, 07 and 0A is (SAE J1979)."""

UDS_REPLY = 0x59
SNAPSHOTS = 0x04


class _Report(NamedTuple):
    """Where a report of service 19 keeps its codes: bytes before the first, of one, before it.

    `alone` is true where one code stands and data of its own follow.
    """

    header: int
    record: int
    before: int = 0
    permanent: bool = False
    alone: bool = False


_REPORTS = {
    **dict.fromkeys((0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x13), _Report(3, 4)),
    **dict.fromkeys((0x08, 0x09), _Report(3, 6, before=2)),  # severity and functional unit
    0x15: _Report(3, 4, permanent=True),
    0x42: _Report(6, 5, before=1),  # group, two masks, format; severity before each code
    0x55: _Report(5, 4, permanent=True),  # group, mask, format; no severity
    0x56: _Report(6, 4),  # functional group, mask, format, readiness group
    0x1A: _Report(4, 4),  # mask, record number
    SNAPSHOTS: _Report(2, 4, alone=True),
    0x06: _Report(2, 4, alone=True),  # extended records
}
"""Reports that list codes (ISO 14229-1; all but 02, 42 and 55 from memory)."""

_READINESS_GROUP, _SUPPORTED_RECORD = 0x56, 0x1A

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
    """The codes of one reply; `problem` says what in it disagrees with its own count.

    `readiness_group` and `record` are what reports 56 and 1A are about. `data` are the bytes
    behind the code of reports 04 and 06: how long their records are, only the maker defines.
    """

    codes: tuple[Code, ...]
    problem: str = ""
    readiness_group: int | None = None
    record: int | None = None
    data: bytes = b""


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
    if bus is Bus.CAN and is_filler(body[payload[1] * 2 :]):
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


def _records(body: bytes, size: int) -> Iterator[bytes]:
    return (body[i : i + size] for i in range(0, len(body) - size + 1, size))


def _read_uds(payload: bytes) -> CodeReply:
    """Return the codes of a reply of service 19; reports without a list of codes are refused."""
    check_reply(payload, UDS_REPLY, least=3)
    report = _REPORTS.get(payload[1])
    if report is None:
        raise DecodeError(
            f"report type {payload[1]:02X} of service 19 is not read", payload=payload
        )
    check_reply(payload, UDS_REPLY, least=report.header)
    body = payload[report.header :]
    data = body[report.record :] if report.alone else b""
    if report.alone:
        check_reply(payload, UDS_REPLY, least=report.header + report.record)
        body = body[: report.record]
    codes = []
    for record in _records(body, report.record):
        code, status = record[report.before : report.before + 3], status_names(record[-1])
        if report.permanent:
            status = (PERMANENT, *status)
        if any(code):
            codes.append(Code(code_from_bytes(code[:2]), f"{code[2]:02X}", status))
    left = len(body) % report.record
    left_over = f"{left} bytes are left over after the last code" if left else ""
    return CodeReply(
        tuple(codes),
        left_over,
        readiness_group=payload[5] if payload[1] == _READINESS_GROUP else None,
        record=payload[3] if payload[1] == _SUPPORTED_RECORD else None,
        data=data,
    )


def status_names(status: int) -> tuple[str, ...]:
    """Return the names of the set bits of an ISO 14229-1 status byte, the most telling first."""
    return tuple(name for bit, name in STATUS_BITS if status & bit)
