"""Reports of service 19 (ISO 14229-1), from any unit's list of codes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Protocol

from obdlog.simulator.answers import BAD_LENGTH, BAD_SUBFUNCTION, OUT_OF_RANGE, Refused

COUNT, BY_MASK, SNAPSHOT, EXTENDED, SUPPORTED = 0x01, 0x02, 0x04, 0x06, 0x0A

_REPLY = 0x59
_FORMAT = 0x01
_LENGTHS = {COUNT: 2, BY_MASK: 2, SNAPSHOT: 5, EXTENDED: 5, SUPPORTED: 1}
_SUPPRESS = 0x80
_ALL, _ALL_REGULATED = 0xFF, 0xFE
_REGULATED = range(0x90, 0xF0)


class Listed(Protocol):
    """A code as reports show it."""

    @property
    def three(self) -> bytes:
        """The code and its failure type."""

    @property
    def status(self) -> int:
        """The status byte."""

    @property
    def records(self) -> Mapping[str, str]:
        """Extended data by record number, both in hexadecimal."""

    @property
    def snapshot(self) -> Mapping[str, str]:
        """Snapshots by record number, both in hexadecimal."""


def build_report(
    rest: bytes, listed: Sequence[Listed], availability: int, offered: Collection[int]
) -> list[bytes]:
    """Return the answer to a request of service 19, nothing where it is suppressed.

    Raises
    ------
    Refused
        The kind of report is not `offered`, the length wrong, or code or record unknown.
    """
    if not rest:
        raise Refused(BAD_LENGTH)
    kind = rest[0] & ~_SUPPRESS
    if kind not in offered or kind not in _LENGTHS:
        raise Refused(BAD_SUBFUNCTION)
    if len(rest) != _LENGTHS[kind]:
        raise Refused(BAD_LENGTH)
    head = bytes([_REPLY, kind])
    if kind == COUNT:
        count = len(_matching(listed, rest[1] & availability))
        reply = head + bytes([availability, _FORMAT]) + count.to_bytes(2, "big")
    elif kind == BY_MASK:
        found = _matching(listed, rest[1] & availability)
        reply = head + bytes([availability]) + _records(found, availability)
    elif kind == SUPPORTED:
        reply = head + bytes([availability]) + _records(listed, availability)
    else:
        reply = head + _stored_data(rest[1:4], rest[4], kind, listed, availability)
    return [] if rest[0] & _SUPPRESS else [reply]


def _matching(listed: Iterable[Listed], mask: int) -> list[Listed]:
    """Return the codes whose status has any bit of `mask`."""
    return [code for code in listed if code.status & mask]


def _records(listed: Iterable[Listed], availability: int) -> bytes:
    return b"".join(code.three + bytes([code.status & availability]) for code in listed)


def _stored_data(
    three: bytes, wanted: int, kind: int, listed: Iterable[Listed], availability: int
) -> bytes:
    """Return code, status and the records of reports 04 and 06 that were asked for.

    Raises
    ------
    Refused
        The unit does not know the code, or has no such record.
    """
    code = next((c for c in listed if c.three == three), None)
    if code is None:
        raise Refused(OUT_OF_RANGE)
    held = code.snapshot if kind == SNAPSHOT else code.records
    records = {bytes.fromhex(n)[0]: bytes.fromhex(data) for n, data in held.items()}
    if wanted == _ALL_REGULATED and kind == EXTENDED:
        records = {n: data for n, data in records.items() if n in _REGULATED}
    elif wanted != _ALL:
        if wanted not in records:
            raise Refused(OUT_OF_RANGE)
        records = {wanted: records[wanted]}
    body = b"".join(bytes([n]) + data for n, data in sorted(records.items()))
    return three + bytes([code.status & availability]) + body
