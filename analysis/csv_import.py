"""Readings from a CSV of any origin, written as a session file.

The whole file is read and checked before anything is written, so a bad line leaves no half
session behind.
"""

from __future__ import annotations

import csv
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

import numpy as np
import numpy.typing as npt

from analysis.column_map import ColumnMap, Target
from obdlog import __version__
from obdlog.clock import ManualClock
from obdlog.errors import InputFileError
from obdlog.session.format import SessionHeader, printable
from obdlog.session.writer import SessionWriter

LARGEST_FILE_BYTES = 4 << 30
LONGEST_LINE_CHARS = 1 << 20
MOST_COLUMNS = 4096
MOST_READINGS = 50_000_000
MOST_NAMES = 1000

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_NO_VALUE = frozenset({"", "na", "n/a", "nan", "null", "none", "-"})
"""What stands for "no value here", in lower case; such a cell is no reading and no error."""


@dataclass(frozen=True, slots=True)
class ImportSummary:
    """What an import did.

    Attributes
    ----------
    rows
        Rows of the file, without its header.
    readings
        Values written.
    signals
        Names of the signals, in order of appearance.
    seconds
        From the first to the last reading [s].
    gaps
        Silences longer than the map's threshold.
    skipped
        Values left out because they were not numbers, or their name is to be ignored.
    blank
        Cells without a value.
    unused
        Columns of the file that the map does not mention.
    """

    rows: int
    readings: int
    signals: tuple[str, ...]
    seconds: float
    gaps: int
    skipped: int
    blank: int
    unused: tuple[str, ...]


@dataclass
class _Table:
    """What was read: one entry a reading, `code` points into `targets`."""

    targets: list[Target] = field(default_factory=list)
    at_s: array[float] = field(default_factory=lambda: array("d"))
    code: array[int] = field(default_factory=lambda: array("H"))
    value: array[float] = field(default_factory=lambda: array("d"))
    rows: int = 0
    skipped: int = 0
    blank: int = 0
    started: str = ""
    unused: tuple[str, ...] = ()


def import_csv(src: Path | str, dst: Path | str, column_map: ColumnMap) -> ImportSummary:
    """Return what was imported from the CSV `src` into the new session file `dst`.

    Times count from the first reading. Gaps longer than ``column_map.gap_s`` become gap
    records; nothing is filled in.

    Raises
    ------
    InputFileError
        When the file is missing, empty, not text, too large, lacks a column, has text for a
        number, falling time, or a name that means no signal; with the line where there is one.
    SessionFileError
        When `dst` exists or cannot be written.
    """
    src = Path(src)
    table = _Reader(src, column_map).read()
    at_s, order = _ordered(table, column_map)
    steps = np.diff(at_s)
    header = SessionHeader(
        version=1,
        started=table.started,
        software=f"obdlog {__version__}",
        link=printable(src.name, 200),
        transport="import",
        origin=printable(column_map.note),
        vehicle=dict(column_map.vehicle),
    )
    clock = ManualClock()
    with SessionWriter(dst, header, clock) as writer:
        before = 0.0
        for place, at in zip(order.tolist(), at_s.tolist(), strict=True):
            if at - before > column_map.gap_s:
                writer.gap(before, at, "no rows in the imported file")
            before = at
            target = table.targets[table.code[place]]
            writer.reading(
                target.signal,
                round(target.conversion.apply(table.value[place]), 9),
                target.unit,
                at_s=at,
                source=column_map.source,
            )
        clock.sleep_s(before)
    return ImportSummary(
        rows=table.rows,
        readings=len(at_s),
        signals=tuple(dict.fromkeys(target.signal for target in table.targets)),
        seconds=float(at_s[-1] - at_s[0]),
        gaps=int((steps > column_map.gap_s).sum()),
        skipped=table.skipped,
        blank=table.blank,
        unused=table.unused,
    )


def _ordered(
    table: _Table, column_map: ColumnMap
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.intp]]:
    at_s = np.array(table.at_s, dtype=np.float64)
    order = np.arange(at_s.size)
    if column_map.sort:
        order = np.argsort(at_s, kind="stable")
        at_s = at_s[order]
    return np.round(at_s - at_s[0], 6), order


class _Reader:
    """One pass over the file; every error names the line."""

    def __init__(self, path: Path, column_map: ColumnMap) -> None:
        self.path = path
        self.map = column_map
        self.line = 1
        self.table = _Table()
        self.last_time = -np.inf
        self._codes: dict[tuple[str, str], int] = {}

    def read(self) -> _Table:
        """Return the whole table."""
        rows = self._rows()
        head = next(rows, None)
        if head is None:
            raise self.error("is empty", line=None)
        places = self._places(head)
        take = self._take_long if self.map.is_long else self._take_wide
        for row in rows:
            if not row or (len(row) == 1 and not row[0].strip()):
                continue
            if len(row) != len(head):
                raise self.error(f"has {len(row)} fields where its header has {len(head)}")
            self.table.rows += 1
            take(row, places)
            if len(self.table.at_s) > MOST_READINGS:
                raise self.error(f"has more than {MOST_READINGS} values")
        if not self.table.rows:
            raise self.error("has a header but no rows", line=None)
        if not len(self.table.at_s):
            raise self.error("has no values in the columns that the map names", line=None)
        return self.table

    def _rows(self) -> Iterator[list[str]]:
        try:
            if not self.path.is_file():
                what = "is not a file" if self.path.exists() else "does not exist"
                raise self.error(what, line=None)
            if self.path.stat().st_size > LARGEST_FILE_BYTES:
                raise self.error("is too large", line=None)
            with self.path.open(encoding="utf-8-sig", newline="") as stream:
                reader = csv.reader(_lines(stream, self), delimiter=self.map.delimiter, strict=True)
                yield from reader
        except UnicodeDecodeError as error:
            raise self.error("is not text in UTF-8", line=None) from error
        except csv.Error as error:
            raise self.error(f"is not CSV: {error}") from error
        except OSError as error:
            reason = (error.strerror or "it cannot be read").lower()
            raise self.error(f"cannot be read: {reason}", line=None) from error

    def _places(self, head: list[str]) -> dict[str, int]:
        names = [name.strip() for name in head]
        if len(names) > MOST_COLUMNS:
            raise self.error(f"has {len(names)} columns")
        found = ", ".join(printable(name, 40) for name in names[:40])
        missing = [name for name in self.map.needed() if name not in names]
        if missing:
            raise self.error(
                f"has no column {', '.join(map(repr, missing))}; it has: {found}",
                hint="name the columns, or the delimiter if they are not split",
            )
        twice = [name for name in self.map.needed() if names.count(name) > 1]
        if twice:
            raise self.error(f"has the column {twice[0]!r} more than once")
        needed = set(self.map.needed())
        self.table.unused = tuple(printable(n, 80) for n in names if n not in needed)
        places = {name: names.index(name) for name in needed}
        if not self.map.is_long:
            for name in self.map.columns:
                self._code(name, "")
        return places

    def _take_long(self, row: list[str], places: dict[str, int]) -> None:
        at_s = self._time(row[places[self.map.time]])
        name = row[places[self.map.key]].strip()
        if name in self.map.ignore:
            self.table.skipped += 1
            return
        unit = row[places[self.map.unit]].strip() if self.map.unit else ""
        self._add(at_s, self._code(name, unit), row[places[self.map.value]])

    def _take_wide(self, row: list[str], places: dict[str, int]) -> None:
        at_s = self._time(row[places[self.map.time]])
        for name in self.map.columns:
            self._add(at_s, self._codes[name, ""], row[places[name]])

    def _add(self, at_s: float, code: int, text: str) -> None:
        text = text.strip()
        if text.casefold() in _NO_VALUE:
            self.table.blank += 1
            return
        value = self._number(text)
        if value is None:
            if not self.map.skip_text:
                raise self.error(
                    f"has {printable(text, 40)!r} where a number should be",
                    hint="decimal = ',' reads decimal commas; skip_text leaves such values out",
                )
            self.table.skipped += 1
            return
        self.table.at_s.append(at_s)
        self.table.code.append(code)
        self.table.value.append(value)

    def _code(self, name: str, unit: str) -> int:
        key = (name, unit)
        code = self._codes.get(key)
        if code is None:
            if len(self._codes) >= MOST_NAMES:
                raise self.error(f"names more than {MOST_NAMES} signals and units")
            try:
                target = self.map.target(name, unit)
            except ValueError as error:
                raise self.error(
                    f"cannot be understood: {error}",
                    hint="say what it means in the column map, or ignore it",
                ) from error
            code = self._codes[key] = len(self.table.targets)
            self.table.targets.append(target)
        return code

    def _number(self, text: str) -> float | None:
        if self.map.decimal == ",":
            if "." in text:
                return None
            text = text.replace(",", ".")
        if len(text) > 60 or not _NUMBER.fullmatch(text):
            return None
        number = float(text)
        return number if abs(number) < 1e15 else None

    def _time(self, text: str) -> float:
        text = text.strip()
        at_s = self._iso(text) if self.map.time_unit == "iso" else self._number(text)
        if at_s is None:
            raise self.error(f"has {printable(text, 40)!r} where a time should be")
        if self.map.time_unit == "ms":
            at_s /= 1000.0
        if at_s < self.last_time and not self.map.sort:
            raise self.error(
                f"goes back in time by {self.last_time - at_s:g} s",
                hint="sort puts the rows in order, if they belong to one drive",
            )
        self.last_time = at_s
        return at_s

    def _iso(self, text: str) -> float | None:
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            return None
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        if not self.table.started:
            self.table.started = moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
        return moment.timestamp()

    def error(self, what: str, *, line: int | None = -1, hint: str = "") -> InputFileError:
        """Return the error that says what the file, or its line, is."""
        line = self.line if line == -1 else line
        where = f", line {line}," if line else ""
        return InputFileError(f"{self.path}{where} {what}", path=self.path, line=line, hint=hint)


def _lines(stream: TextIO, reader: _Reader) -> Iterator[str]:
    """Yield the lines of `stream`, refusing what no CSV has: NULs and endless lines."""
    reader.line = 0
    while text := stream.readline(LONGEST_LINE_CHARS + 1):
        reader.line += 1
        if "\0" in text or len(text) > LONGEST_LINE_CHARS:
            raise reader.error("is not CSV: binary data" if "\0" in text else "is too long")
        yield text
