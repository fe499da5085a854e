"""Snapshots of report 04 of service 19: data identifiers that were stored with a code.

How long the data of an identifier are, the reply does not say. Those of F4xx stand in the signal
table, that of F190 in ISO 3779; all others only the maker defines, so nothing behind one of them
can be told apart.
"""

from __future__ import annotations

from functools import cache

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services.code_reply import StoredRecord
from obdlog.services.current_data import readings_of
from obdlog.tables import signals
from obdlog.tables.decode import EMPTY, Context

CURRENT_DATA = 0xF4
_VIN, _VIN_LENGTH = 0xF190, 17
_MOST = 512
_HEAD = 2  # record number, number of identifiers


def lengths(identifier: int) -> tuple[int, ...]:
    """Return the lengths [bytes] that an identifier's data may have; () where nobody says."""
    if identifier >> 8 == CURRENT_DATA:
        return signals.lengths(identifier & 0xFF)
    return (_VIN_LENGTH,) if identifier == _VIN else ()


def split_snapshots(data: bytes) -> tuple[StoredRecord, ...]:
    """Return the records in `data`, whole where all lengths are known and add up.

    Else the identifiers before the first one of unknown or doubtful length stand apart, and the
    rest stays bytes.
    """
    if len(data) < _HEAD:
        return (StoredRecord(data[0]),) if data else ()
    return _whole(data) or (_leading(data),)


def _whole(data: bytes) -> tuple[StoredRecord, ...]:
    """Return the records where known lengths use up `data` exactly, else nothing."""
    if len(data) > _MOST:
        return ()

    @cache
    def end_of(start: int, left: int) -> int:
        """Return the place behind the item at `start`, 0 in a dead end.

        `left` identifiers are still to come in the record; 0 at the border of two records.
        """
        if left == 0:
            if start == len(data):
                return start
            if len(data) - start < _HEAD or not data[start + 1]:
                return 0
            inside = start + _HEAD
            return inside if end_of(inside, data[start + 1]) else 0
        for length in lengths(int.from_bytes(data[start : start + 2], "big")):
            end = start + 2 + length
            if end <= len(data) and end_of(end, left - 1):
                return end
        return 0

    records: list[StoredRecord] = []
    at = 0
    while at < len(data):
        inside = end_of(at, 0)
        if not inside:
            return ()
        number, left = data[at], data[at + 1]
        items = []
        for remaining in range(left, 0, -1):
            end = end_of(inside, remaining)
            items.append((int.from_bytes(data[inside : inside + 2], "big"), data[inside + 2 : end]))
            inside = end
        records.append(StoredRecord(number, tuple(items), whole=True))
        at = inside
    return tuple(records)


def _leading(data: bytes) -> StoredRecord:
    items = []
    at = _HEAD
    for _ in range(data[1]):
        known = lengths(int.from_bytes(data[at : at + 2], "big")) if len(data) - at > 2 else ()
        if len(known) != 1 or at + 2 + known[0] > len(data):
            break
        items.append((int.from_bytes(data[at : at + 2], "big"), data[at + 2 : at + 2 + known[0]]))
        at += 2 + known[0]
    return StoredRecord(data[0], tuple(items), data[at:])


def snapshot_readings(
    record: StoredRecord, context: Context = EMPTY, bus: Bus = Bus.CAN
) -> tuple[Reading, ...]:
    """Return the readings of the F4xx identifiers of `record`; none where one contradicts itself.

    Scales that the record itself holds (F44F, F450) apply to all of it, whatever their order.
    """
    pairs = [(number & 0xFF, data) for number, data in record.items if number >> 8 == CURRENT_DATA]
    try:
        return readings_of(pairs, context, bus)
    except DecodeError:
        return ()
