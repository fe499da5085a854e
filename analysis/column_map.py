"""What the columns of somebody else's CSV mean, as the user states it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal, NamedTuple, get_args

from analysis.csv_units import SAME, Conversion, conversion
from analysis.data import ADAPTER_VOLTAGE, unit_of
from obdlog.errors import InputFileError, TableError
from obdlog.tables import signals as signal_table
from obdlog.toml_file import load_toml

TimeUnit = Literal["s", "ms", "iso"]

_PID = re.compile(r"(?:0x|01)?([0-9A-Fa-f]{2})")


class Target(NamedTuple):
    """Where a value goes: our signal, its unit, and how to get there."""

    signal: str
    unit: str
    conversion: Conversion = SAME


@dataclass(frozen=True)
class ColumnMap:
    """Which columns hold what.

    A *long* file has a column that names the signal or PID of each row; a *wide* file has one
    column a signal. Signals are named as in the signal table or by PID (``0C``, ``0x0C``,
    ``010C``) where the PID holds a single number.

    Attributes
    ----------
    time
        Column of the times.
    time_unit
        ``s``, ``ms``, or ``iso`` (ISO 8601; without a zone taken as UTC).
    key, value, unit
        Long files: columns that name the signal, hold its value and, optionally, its unit.
    columns
        Wide files: column to signal or PID.
    units
        Unit in the file, by column (wide) or by the name in `key` (long); without one the
        signal's own unit is meant.
    signals
        Long files: what a name in `key` means, where it is neither a signal nor a PID.
    ignore
        Long files: names in `key` that are left out.
    delimiter, decimal
        One character; the sign between whole and fraction, ``.`` or ``,``.
    sort
        Put rows with falling time in order, instead of refusing them.
    skip_text
        Leave out values that are not numbers and count them, instead of refusing the file.
    gap_s
        Silences of the whole file longer than this are recorded as gaps [s]. Two seconds, because
        that is also where distances stop being measured.
    source
        Who the readings came from, as an ECU's address or a name.
    note
        Origin and terms of the data, for the session's header.
    vehicle
        Facts for the session's header (`fuel`, `displacement_l`, …).
    """

    time: str
    time_unit: TimeUnit = "s"
    key: str = ""
    value: str = ""
    unit: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    signals: Mapping[str, str] = field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    delimiter: str = ","
    decimal: str = "."
    sort: bool = False
    skip_text: bool = False
    gap_s: float = 2.0
    source: str = "import"
    note: str = ""
    vehicle: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.time:
            raise ValueError("the column map names no time column")
        if self.time_unit not in get_args(TimeUnit):
            raise ValueError(f"time unit {self.time_unit!r} is none of s, ms, iso")
        if bool(self.columns) == bool(self.key):
            raise ValueError("the column map needs either key and value (long) or columns (wide)")
        if bool(self.key) != bool(self.value):
            raise ValueError("a long column map needs both key and value")
        if len(self.delimiter) != 1 or self.delimiter in '\r\n"':
            raise ValueError("the delimiter must be one character")
        if self.decimal not in (".", ",") or self.decimal == self.delimiter:
            raise ValueError("the decimal sign must be . or , and differ from the delimiter")
        if not math.isfinite(self.gap_s) or self.gap_s <= 0:
            raise ValueError("the gap threshold must be above zero")
        if not re.fullmatch(r"[ -~]{1,40}", self.source):
            raise ValueError("the source must be 1 to 40 plain characters")

    @property
    def is_long(self) -> bool:
        """Whether each row names its signal."""
        return bool(self.key)

    def needed(self) -> tuple[str, ...]:
        """Return the columns that the file must have."""
        if self.is_long:
            return tuple(name for name in (self.time, self.key, self.value, self.unit) if name)
        return (self.time, *self.columns)

    def target(self, name: str, unit: str = "") -> Target:
        """Return where values called `name` (a column, or a name in `key`) go.

        Raises
        ------
        ValueError
            When the name means no signal, or the unit does not fit it.
        """
        meant = self.columns.get(name) or self.signals.get(name) or name
        signal = resolve_signal(meant)
        ours = unit_of(signal)
        theirs = unit or self.units.get(name, "")
        return Target(signal, ours, conversion(theirs, ours) if theirs else SAME)


def resolve_signal(text: str) -> str:
    """Return the signal that `text`, a name or a PID of service 01, means.

    Raises
    ------
    ValueError
        When it means none, or a PID of several signals.
    """
    text = text.strip()
    if text == ADAPTER_VOLTAGE:
        return text
    try:
        found = signal_table.by_name(text.upper())
    except TableError:
        pass
    else:
        if not found.numeric and found.codec not in ("flag", "flags", "enum"):
            raise ValueError(f"{text} is not a number")
        return found.name
    match = _PID.fullmatch(text)
    rows = signal_table.by_pid(int(match[1], 16)) if match else ()
    if not rows:
        raise ValueError(f"{text[:40]!r} is neither a signal nor a PID of service 01")
    shortest = min(size for row in rows for size in row.lengths)
    names = {row.name: None for row in rows if row.numeric and shortest in row.lengths}
    if len(names) != 1:
        held = "no number" if not names else f"{', '.join(names)}: name one of them"
        raise ValueError(f"PID {text} holds {held}")
    return next(iter(names))


def load_column_map(path: Path | str) -> ColumnMap:
    """Return the column map that the TOML file at `path` states; keys as the attributes.

    Raises
    ------
    InputFileError
        When it cannot be read, is not TOML, or makes no sense.
    """
    path = Path(path)
    return column_map_from(load_toml(path, "column map"), path)


def column_map_from(table: Mapping[str, Any], path: Path) -> ColumnMap:
    """Return the column map that `table` states; `path` is for error messages.

    Raises
    ------
    InputFileError
        It makes no sense.
    """
    kinds = {f.name: f.type for f in fields(ColumnMap)}
    unknown = table.keys() - kinds.keys()
    if unknown:
        raise InputFileError(
            f"{path} has unknown entries: {', '.join(sorted(unknown))[:200]}",
            path=path,
            hint="known are " + ", ".join(kinds),
        )
    given = dict(table)
    for name, value in given.items():
        kind = str(kinds[name])
        fits = {
            "bool": isinstance(value, bool),
            "float": isinstance(value, (int, float)) and not isinstance(value, bool),
            "tuple[str, ...]": isinstance(value, list) and all(isinstance(v, str) for v in value),
            "Mapping[str, str]": isinstance(value, dict)
            and all(isinstance(v, str) for v in value.values()),
            "Mapping[str, Any]": isinstance(value, dict),
        }.get(kind, isinstance(value, str))
        if not fits:
            raise InputFileError(f"{path}: {name} is not of the right kind", path=path)
    if "ignore" in given:
        given["ignore"] = tuple(given["ignore"])
    try:
        return ColumnMap(**{"time": "", **given})
    except ValueError as error:
        raise InputFileError(f"{path}: {error}", path=path) from error
