"""Session file to one long frame of readings.

The file is read once, in blocks. Replies are collected as raw bytes by shape (who, asked what, how
long) and each shape is decoded in one piece, so neither time nor memory grows with more than the
number of readings.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np

from analysis.columns import Block, Column, Shape, blocks_of, columns_of, frame_of, learn
from analysis.data import (
    ADAPTER_SOURCE,
    ADAPTER_VOLTAGE,
    Gap,
    Mark,
    Samples,
    SessionData,
    label_of,
    unit_of,
)
from obdlog.errors import TableError
from obdlog.model import Outcome
from obdlog.session.format import (
    AdapterRecord,
    EndRecord,
    ExchangeRecord,
    GapRecord,
    MarkRecord,
    ReadingRecord,
    Record,
    SessionHeader,
    printable,
)
from obdlog.session.reader import iter_blocks
from obdlog.tables.decode import EMPTY, Context

__all__ = ["Gap", "Mark", "Samples", "SessionData", "label_of", "load", "unit_of"]

MOST_SHAPES = 10_000
"""More different (source, request, length) than any car has; a file beyond is hostile."""

MOST_WARNINGS = 100

Slot = tuple[Callable[[float], None], Callable[[str], None]]
"""Where a reply's time and text go; bound methods, because this is the innermost loop."""

_REPLY, _REPLY_BY_IDENTIFIER = "41", "62F4"
"""How current data begin: SAE J1979, and SAE J1979-2 by identifiers of service 22."""

_HEX = frozenset("0123456789ABCDEFabcdef")


class _Collector:
    """What is gathered while the file goes by."""

    def __init__(self, warnings: list[str]) -> None:
        self.warnings = warnings
        self.shapes: list[Shape] = []
        self.slots: dict[tuple[str, str, int], Slot] = {}
        self.series: dict[tuple[str, str], tuple[array[float], array[float]]] = {}
        self.marks: list[Mark] = []
        self.gaps: list[Gap] = []
        self.exchanges = 0
        self.others: Counter[str] = Counter()
        self.foreign_units: dict[tuple[str, str], None] = {}
        self.unreadable = 0
        self.complete = False
        self.end_s = 0.0

    def take(self, records: list[Record]) -> None:
        """Gather a block of records; the plain path for poll replies is kept short."""
        slots, answered = self.slots, Outcome.ANSWERED.value
        for record in records:
            if type(record) is ExchangeRecord:
                at_s, ask = record.at, record.ask
                self.exchanges += 1
                if record.outcome != answered:
                    self.others[record.outcome] += 1
                for got in record.got:
                    payload = got.payload
                    if payload[:2] != _REPLY and payload[:4] != _REPLY_BY_IDENTIFIER:
                        continue
                    slot = slots.get((got.source, ask, len(payload)))
                    if slot is None:
                        slot = self._new_slot(got.source, ask, len(payload))
                        if slot is None:
                            continue
                    slot[0](at_s + got.after)
                    slot[1](payload)
            elif type(record) is not SessionHeader:
                self._take_other(record)
        for shape in self.shapes:
            if shape.fresh:
                self.unreadable += shape.settle()
        if records and not isinstance(records[-1], SessionHeader):
            self.end_s = max(self.end_s, records[-1].at)

    def _new_slot(self, source: str, ask: str, digits: int) -> Slot | None:
        whole = digits % 2 == 0 and len(ask) % 2 == 0 and _HEX.issuperset(ask)
        if len(self.shapes) >= MOST_SHAPES or not whole or not _is_address(source):
            self.unreadable += 1
            return None
        shape = Shape(source, ask, digits // 2)
        self.shapes.append(shape)
        slot = self.slots[source, ask, digits] = (shape.fresh_s.append, shape.fresh.append)
        return slot

    def _take_other(self, record: object) -> None:
        match record:
            case ReadingRecord(at=at, signal=signal, value=value, unit=unit, source=source):
                if not isinstance(value, (int, float)) or not self._known(signal, unit):
                    self.unreadable += 1
                    return
                self._add(source, signal, at, float(value))
                self.end_s = max(self.end_s, at)
            case AdapterRecord(at=at, voltage=float() | int() as voltage):
                self._add(ADAPTER_SOURCE, ADAPTER_VOLTAGE, at, float(voltage))
            case MarkRecord(at=at, text=text):
                self.marks.append(Mark(at, printable(text)))
            case GapRecord(at=at, until=until, cause=cause):
                self.gaps.append(Gap(at, max(at, until), printable(cause)))
                self.end_s = max(self.end_s, until)
            case EndRecord(at=at):
                self.complete = True
                self.end_s = max(self.end_s, at)

    def _known(self, signal: str, unit: str) -> bool:
        if (signal, unit) in self.foreign_units:
            return False
        try:
            if unit_of(signal) == unit:
                return True
            reason = f"its unit is {unit_of(signal)!r}"
        except TableError:
            reason = "no table has this signal"
        self.foreign_units[signal, unit] = None
        if len(self.foreign_units) > MOST_WARNINGS:
            return False
        self.warnings.append(
            f"readings of {printable(signal, 40)} in {printable(unit, 20)!r} left out: {reason}"
        )
        return False

    def _add(self, source: str, signal: str, at_s: float, value: float) -> None:
        key = (source if _is_name(source) else "unknown", signal)
        times, values = self.series.setdefault(key, (array("d"), array("d")))
        times.append(at_s)
        values.append(value)


def load(path: Path | str) -> SessionData:
    """Return the readings of the session file at `path`, and what else it says.

    Readings are the replies to service 01 (SAE J1979), or to service 22 with identifiers F4xx
    (SAE J1979-2), whatever they were asked for, the voltage that the adapter measured (signal
    ``ADAPTER_V``, source ``adapter``), and imported readings.
    A reply's time is that of its request plus the seconds it took. Scale overrides (PIDs 4F, 50)
    and the sensor map (PIDs 13, 1D) found anywhere in the session hold for all of it.

    Raises
    ------
    SessionFileError, SessionVersionError
        When the file is missing, empty, not a session, or of a later format.
    """
    warnings: list[str] = []
    blocks = iter_blocks(path, warnings)
    header = next(iter(next(blocks)))
    gathered = _Collector(warnings)
    for records in blocks:
        gathered.take(records)
    if gathered.unreadable:
        warnings.append(f"{gathered.unreadable} replies or readings could not be read")
    readings = frame_of(_columns(gathered))
    last_s = float(readings["at_s"].iloc[-1]) if len(readings) else 0.0
    return SessionData(
        path=Path(path),
        header=msgspec.to_builtins(header),
        readings=readings,
        marks=tuple(gathered.marks),
        gaps=tuple(sorted(gathered.gaps)),
        complete=gathered.complete,
        warnings=tuple(warnings[:MOST_WARNINGS]),
        exchanges=gathered.exchanges,
        outcomes=_outcomes(gathered),
        end_s=max(gathered.end_s, last_s),
    )


def _outcomes(gathered: _Collector) -> dict[str, int]:
    """Return the number of exchanges by outcome, leaving out what no release ever wrote."""
    answered = gathered.exchanges - gathered.others.total()
    counts = {Outcome.ANSWERED.value: answered, **gathered.others}
    return {outcome.value: counts[outcome.value] for outcome in Outcome if counts.get(outcome)}


def _columns(gathered: _Collector) -> list[Column]:
    contexts: dict[str, Context] = {}
    for shape in gathered.shapes:
        learn(contexts, shape)
    blocks: list[Block] = []
    for shape in gathered.shapes:
        context = contexts.get(shape.source, EMPTY)
        blocks += blocks_of(shape, context, gathered.warnings)
    gathered.shapes.clear()
    gathered.slots.clear()
    found = [
        column
        for block in blocks
        for column in columns_of(block, contexts.get(block.source, EMPTY), gathered.warnings)
    ]
    found += [
        Column(source, signal, np.frombuffer(times), np.frombuffer(values))
        for (source, signal), (times, values) in gathered.series.items()
    ]
    gathered.series.clear()
    return found


def _is_address(text: str) -> bool:
    return _is_name(text) and len(text) <= 8


def _is_name(text: str) -> bool:
    return 0 < len(text) <= 40 and text.isascii() and text.isprintable()
