"""Replies of ISO 14229-1 service 19: lists of codes, counts, and what is stored with a code.

References
----------
ISO 14229-1, service 19 (from memory; reports 17, 1A, 42, 55 and 56 as py-uds defines them);
SAE J1979-2.
"""

from __future__ import annotations

from typing import NamedTuple

from obdlog.errors import DecodeError
from obdlog.services.code_reply import (
    PERMANENT,
    Code,
    CodeReply,
    StoredRecord,
    chunks,
    code_from_bytes,
    status_names,
)
from obdlog.services.layout import check_reply
from obdlog.services.snapshots import split_snapshots
from obdlog.services.trouble_reports import (
    ALL_RECORDS,
    COUNT,
    EXTENDED,
    EXTENDED_LISTS,
    FUNCTIONAL,
    READINESS,
    SERVICE,
    SNAPSHOTS,
)
from obdlog.services.trouble_reports import (
    PERMANENT as PERMANENT_REPORT,
)

REPLY = 0x59


class _Report(NamedTuple):
    """Where a report of service 19 keeps its codes: bytes before the first, of one, before it.

    `severity`, `mask`, `numbering` and `group` are the places of those bytes; `alone` is true
    where one code stands and data of its own follow.
    """

    header: int
    record: int
    before: int = 0
    mask: int | None = 2
    numbering: int | None = None
    group: int | None = None
    permanent: bool = False
    alone: bool = False


_LIST = _Report(3, 4)
_REPORTS = {
    **dict.fromkeys((0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13), _LIST),
    **dict.fromkeys((0x08, 0x09), _Report(3, 6, before=2)),  # severity and functional unit
    0x15: _Report(3, 4, permanent=True),
    0x17: _Report(4, 4, mask=3),  # a memory of the maker's choice
    FUNCTIONAL: _Report(6, 5, before=1, mask=3, numbering=5, group=2),  # severity before a code
    PERMANENT_REPORT: _Report(5, 4, mask=3, numbering=4, group=2, permanent=True),
    READINESS: _Report(6, 4, mask=3, numbering=4, group=2),
    EXTENDED_LISTS: _Report(4, 4),  # mask, record number
    SNAPSHOTS: _Report(2, 4, mask=None, alone=True),
    EXTENDED: _Report(2, 4, mask=None, alone=True),
}
"""Reports that list codes."""

_COUNTS = frozenset({COUNT, 0x07, 0x11, 0x12})
_COUNT_LENGTH = 6
_ONE_CODE = 6
_SEVERAL_RECORDS = 0xF0
"""Length of a request about one code; record numbers from here on ask for more than one."""

NUMBERINGS = {
    0x00: "SAE J2012-DA, two bytes and a failure type",
    0x01: "ISO 14229-1",
    0x02: "SAE J1939-73",
    0x03: "ISO 11992-4",
    0x04: "SAE J2012-DA, two bytes and a failure type (OBD)",
}
"""How a module numbers its codes, by the format byte of reports 01, 42, 55 and 56."""

_OTHER_NUMBERINGS = frozenset({0x02, 0x03})


def read_report(payload: bytes, request: bytes = b"") -> CodeReply:
    """Return the codes of a reply of service 19, or how many the module says there are.

    Parameters
    ----------
    request
        Tells which code and record were asked for.

    Raises
    ------
    DecodeError
        Not such a reply, cut short, or a report that is not read.
    """
    check_reply(payload, REPLY, least=3)
    kind = payload[1]
    if kind in _COUNTS:
        return _count(payload)
    report = _REPORTS.get(kind)
    if report is None:
        raise DecodeError(f"report type {kind:02X} of service 19 is not read", payload=payload)
    check_reply(payload, REPLY, least=report.header)
    if report.alone:
        return _alone(payload, report, request)
    body = payload[report.header :]
    left = len(body) % report.record
    numbering = _at(payload, report.numbering)
    problem = f"{left} bytes are left over after the last code" if left else ""
    if numbering in _OTHER_NUMBERINGS:
        problem = f"the codes are numbered as in {NUMBERINGS[numbering]}, which is not read here"
    return CodeReply(
        tuple(
            _code(record, report)
            for record in chunks(body, report.record)
            if any(record[report.before : report.before + 3])
        ),
        problem,
        report=kind,
        available=_at(payload, report.mask),
        numbering=numbering,
        group=_at(payload, report.group),
        readiness_group=payload[5] if kind == READINESS else None,
        record=payload[3] if kind == EXTENDED_LISTS else None,
    )


def _at(payload: bytes, place: int | None) -> int | None:
    return None if place is None else payload[place]


def _code(record: bytes, report: _Report) -> Code:
    three, status = record[report.before : report.before + 3], record[-1]
    words = status_names(status)
    return Code(
        code_from_bytes(three[:2]),
        f"{three[2]:02X}",
        (PERMANENT, *words) if report.permanent else words,
        status,
        record[0] if report.before else None,
    )


def _count(payload: bytes) -> CodeReply:
    check_reply(payload, REPLY, least=_COUNT_LENGTH)
    return CodeReply(
        (),
        report=payload[1],
        available=payload[2],
        numbering=payload[3],
        count=int.from_bytes(payload[4:6], "big"),
    )


def _alone(payload: bytes, report: _Report, request: bytes) -> CodeReply:
    """Return the one code of reports 04 and 06 and the records behind it."""
    end = report.header + report.record
    check_reply(payload, REPLY, least=end)
    kind, record, data = payload[1], payload[report.header : end], payload[end:]
    if kind == SNAPSHOTS:
        records = split_snapshots(data)
    else:
        records = (StoredRecord(data[0], rest=data[1:]),) if data else ()
    problem = ""
    asked = len(request) == _ONE_CODE and request[:2] == bytes([SERVICE, kind])
    wanted = request[5] if asked else ALL_RECORDS
    if asked and request[2:5] != record[:3]:
        problem = "the reply is about another code than the request"
    elif records and wanted < _SEVERAL_RECORDS and records[0].number != wanted:
        problem = f"the reply holds record {records[0].number:02X}, the request asks {wanted:02X}"
    codes = (_code(record, report),) if any(record[:3]) else ()
    return CodeReply(codes, problem, report=kind, records=records, data=data)
