"""A loaded session: readings in one long frame, and what else the file says about the drive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from obdlog.errors import MissingSignalError, TableError
from obdlog.tables import signals as signal_table

FloatArray = npt.NDArray[np.float64]

ADAPTER_SOURCE = "adapter"
ADAPTER_VOLTAGE = "ADAPTER_V"
"""Battery voltage that the adapter measured at the diagnostic connector [V]."""


class Mark(NamedTuple):
    """What the user noted, and when [s]."""

    at_s: float
    text: str


class Gap(NamedTuple):
    """A stretch without data [s], and why."""

    start_s: float
    end_s: float
    cause: str


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """One signal of one source: times [s] and values [the signal's unit], without missing ones."""

    at_s: FloatArray
    value: FloatArray

    @property
    def count(self) -> int:
        """Return the number of samples."""
        return int(self.at_s.size)

    def between(self, start_s: float, end_s: float) -> Samples:
        """Return the samples with `start_s` ≤ time ≤ `end_s`."""
        low = int(np.searchsorted(self.at_s, start_s, side="left"))
        high = int(np.searchsorted(self.at_s, end_s, side="right"))
        return Samples(self.at_s[low:high], self.value[low:high])


NO_SAMPLES = Samples(np.empty(0), np.empty(0))


@dataclass(frozen=True, eq=False)
class SessionData:
    """Everything the analysis knows of one session.

    Attributes
    ----------
    path
        The session file.
    header
        The first record of the file as a plain mapping (`started`, `transport`, `vehicle`, …).
    readings
        Long frame, one row a reading, sorted by time, RangeIndex. Columns: ``at_s`` [s] float64,
        ``source`` category (ECU address, or ``adapter``), ``signal`` category, ``value`` float64
        in the signal's own unit; enumerations as their raw code, flags as 0 or 1; NaN where the
        car said "not available".
    marks, gaps
        The user's notes, and recorded stretches without data.
    complete
        Whether the file has its end record.
    warnings
        What could not be read or decoded, one sentence each.
    exchanges
        Number of requests in the file, whatever came of them.
    outcomes
        How many exchanges ended in each way (``answered``, ``no-data``, …).
    end_s
        Time of the last record [s].
    """

    path: Path
    header: Mapping[str, object]
    readings: pd.DataFrame
    marks: tuple[Mark, ...] = ()
    gaps: tuple[Gap, ...] = ()
    complete: bool = True
    warnings: tuple[str, ...] = ()
    exchanges: int = 0
    outcomes: Mapping[str, int] = field(default_factory=dict)
    end_s: float = 0.0
    _cache: dict[tuple[str, str | None], Samples] = field(
        default_factory=dict, init=False, repr=False
    )
    _rows: dict[str, npt.NDArray[np.intp]] = field(default_factory=dict, init=False, repr=False)

    @property
    def vehicle(self) -> Mapping[str, object]:
        """Return the vehicle facts of the header (`vin`, `displacement_l`, `fuel`, …)."""
        return _mapping(self.header.get("vehicle"))

    @property
    def work(self) -> Mapping[str, object]:
        """Return the work facts of the header (`unplugged`, `replaced`)."""
        return _mapping(self.header.get("work"))

    @property
    def start_s(self) -> float:
        """Return the time of the first reading [s]; 0 when there is none."""
        return float(self.readings["at_s"].iloc[0]) if len(self.readings) else 0.0

    @property
    def seconds(self) -> float:
        """Return the time from the first to the last reading [s]."""
        return float(self.readings["at_s"].iloc[-1]) - self.start_s if len(self.readings) else 0.0

    def signals(self) -> tuple[str, ...]:
        """Return the names of the signals that have readings, in alphabetical order."""
        return tuple(str(name) for name in self.readings["signal"].cat.categories)

    def sources(self, signal: str) -> tuple[str, ...]:
        """Return who reported `signal`, the one with the most readings first."""
        rows = self._rows_of(signal)
        counts = self.readings["source"].iloc[rows].value_counts()
        return tuple(str(name) for name, count in counts.items() if count)

    def has(self, signal: str) -> bool:
        """Return whether any value of `signal` was read."""
        return self.samples(signal).count > 0

    def samples(self, signal: str, source: str | None = None) -> Samples:
        """Return the samples of `signal`, empty when there are none.

        Several ECUs may report the same signal, each in its own way; they are never mixed. Without
        `source` the one with the most readings is taken.
        """
        key = (signal, source)
        if key not in self._cache:
            self._cache[key] = self._find(signal, source)
        return self._cache[key]

    def require(self, signal: str, source: str | None = None) -> Samples:
        """Return the samples of `signal`.

        Raises
        ------
        MissingSignalError
            When no value of it was read.
        """
        found = self.samples(signal, source)
        if not found.count:
            raise MissingSignalError(signal, hint="the session has: " + ", ".join(self.signals()))
        return found

    def _rows_of(self, signal: str) -> npt.NDArray[np.intp]:
        if not self._rows:
            codes = self.readings["signal"].cat.codes.to_numpy()
            order = np.argsort(codes, kind="stable")
            names = self.signals()
            edges = np.searchsorted(codes[order], np.arange(len(names) + 1))
            for number, name in enumerate(names):
                self._rows[name] = order[edges[number] : edges[number + 1]]
        return self._rows.get(signal, np.empty(0, dtype=np.intp))

    def _find(self, signal: str, source: str | None) -> Samples:
        rows = self._rows_of(signal)
        if not rows.size:
            return NO_SAMPLES
        codes = self.readings["source"].cat.codes.to_numpy()[rows]
        values = self.readings["value"].to_numpy()[rows]
        known = ~np.isnan(values)
        if source is None:
            if not known.any():
                return NO_SAMPLES
            chosen = int(np.bincount(codes[known]).argmax())
        else:
            names = list(self.readings["source"].cat.categories)
            if source not in names:
                return NO_SAMPLES
            chosen = names.index(source)
        kept = known & (codes == chosen)
        return Samples(self.readings["at_s"].to_numpy()[rows[kept]], values[kept])


def unit_of(signal: str) -> str:
    """Return the unit in which readings of `signal` are stored.

    Raises
    ------
    TableError
        When no table has a signal of that name.
    """
    if signal == ADAPTER_VOLTAGE:
        return "V"
    return signal_table.by_name(signal).unit


def label_of(signal: str) -> str:
    """Return the readable name of `signal`, or its own name when no table has it."""
    if signal == ADAPTER_VOLTAGE:
        return "Battery voltage at the diagnostic connector"
    try:
        return signal_table.by_name(signal).label
    except TableError:
        return signal


def _mapping(value: object) -> Mapping[str, object]:
    return value if isinstance(value, Mapping) else {}
