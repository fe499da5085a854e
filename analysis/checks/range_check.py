"""Range checks: rows of ``ranges.toml``, all judged by the code here."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.indexers import BaseIndexer

from analysis.checks.base import Check, Job, Tier, Window, evidence_of
from analysis.condition_table import condition
from analysis.data import FloatArray, Samples, label_of, unit_of
from analysis.findings import Finding, Severity
from obdlog.errors import TableError

FILE: Final = "ranges.toml"

_TEXTS: Final = ("name", "title", "why", "statistic", "source")
_LISTS: Final = ("signals", "conditions", "suggests", "confounders")
_ALL: Final = frozenset(
    {*_TEXTS, *_LISTS, "low", "high", "unit", "tiers", "fuel", "each", "hold_s", "without",
     "min_samples", "gate_reason"}
)  # fmt: skip


class Measured(NamedTuple):
    """A statistic of one window, and when it was worst [s] (None: of the whole window)."""

    value: float
    at_s: float | None


class Row(NamedTuple):
    """How a range check measures: what its `Check` does not say."""

    statistic: str
    each: bool
    hold_s: float
    without: tuple[str, ...]


@cache
def range_checks() -> tuple[Check, ...]:
    """Return every row of the table shipped with the program.

    Raises
    ------
    TableError
        When a row breaks the table's rules.
    """
    folder = resources.files("analysis.checks")
    return parse_ranges(folder.joinpath(FILE).read_text(encoding="utf-8"), FILE)


def parse_ranges(text: str, file: str) -> tuple[Check, ...]:
    """Return the checks that the TOML `text` states; `file` is for error messages."""
    try:
        rows = tomllib.loads(text)["check"]
    except (tomllib.TOMLDecodeError, KeyError) as error:
        raise TableError(f"not a table of checks: {error}", file=file) from error
    checks = tuple(_check(row, file) for row in rows)
    names = [check.name for check in checks]
    if len(set(names)) != len(names):
        raise TableError("two checks have the same name", file=file)
    return checks


def _check(row: Mapping[str, Any], file: str) -> Check:
    name = str(row.get("name", "?"))
    unknown, missing = row.keys() - _ALL, set(_TEXTS[:5]) - row.keys()
    if unknown or missing:
        wrong = ", ".join(sorted(unknown or missing))
        raise TableError(f"check {name}: unknown or missing {wrong}", file=file)
    signals = tuple(row["signals"])
    units = {unit_of(signal) for signal in signals}
    for name_of_condition in row["conditions"]:
        condition(name_of_condition)
    how = Row(
        row["statistic"],
        bool(row.get("each", False)),
        float(row.get("hold_s", 0.0)),
        tuple(row.get("without", ())),
    )
    low, high = float(row.get("low", -math.inf)), float(row.get("high", math.inf))
    if len(units) != 1 or how.statistic not in _STATISTICS or low > high:
        raise TableError(f"check {name}: units, statistic or range cannot be", file=file)
    return Check(
        name=name,
        title=row["title"],
        why=row["why"],
        signals=signals,
        conditions=tuple(row["conditions"]),
        measure=_measure_text(how),
        unit=units.pop(),
        source=row["source"],
        judge=lambda check, job: _judge(check, job, how),
        low=low,
        high=high,
        tiers=tuple(_tier(tier) for tier in row.get("tiers", ())),
        fuel=row.get("fuel", ""),
        suggests=tuple(row.get("suggests", ())),
        confounders=tuple(row.get("confounders", ())),
        min_samples=row.get("min_samples"),
        gate_reason=row.get("gate_reason", ""),
    )


def _tier(row: Mapping[str, Any]) -> Tier:
    return Tier(
        Severity(row["severity"]),
        below=float(row.get("below", -math.inf)),
        above=float(row.get("above", math.inf)),
    )


def _measure_text(how: Row) -> str:
    held = f" that lasts {how.hold_s:g} s" if how.hold_s else ""
    return {
        "mean": "mean",
        "median": "median",
        "sd": "standard deviation",
        "span": "span",
        "min": f"lowest value{held}",
        "max": f"highest value{held}",
        "extremes": f"value{held} farthest out",
    }.get(how.statistic, how.statistic)


def _judge(check: Check, job: Job, how: Row) -> list[Finding]:
    present = [signal for signal in check.signals if job.data.has(signal)]
    if not present:
        names = " or ".join(check.signals)
        return [check.not_judged(f"needs {names}, which was not read")]
    found: list[Finding] = []
    reasons: dict[str, None] = {}
    for signal in present if how.each else present[:1]:
        for name in check.conditions:
            windows, reason = job.windows(check, signal, name, how.without)
            if windows:
                found.append(_finding(check, how, signal, name, windows))
            else:
                reasons[reason] = None
    return found or [check.not_judged("; ".join(reasons), signal=present[0])]


def _finding(check: Check, how: Row, signal: str, name: str, windows: list[Window]) -> Finding:
    """Return the finding for the window that is farthest out."""
    measures = [_STATISTICS[how.statistic](check, how, window.samples) for window in windows]
    worst = max(range(len(windows)), key=lambda i: _excess(check, measures[i].value))
    measure = measures[worst]
    where = condition(name).title
    count = f", the farthest out of {len(windows)} stretches" if len(windows) > 1 else ""
    worst_s = measure.at_s if measure.at_s is not None else windows[worst].segment.start_s
    return check.judged(
        measure.value,
        evidence_of(windows, worst_s),
        because=(
            f"{label_of(signal)}: {check.measure} {check.text_of(measure.value)} ({where}{count})"
        ),
        signal=signal,
        condition=name,
        extra={"statistic": how.statistic, "windows": len(windows)},
    )


def _excess(check: Check, value: float) -> float:
    """Return how far `value` is outside the range; negative inside, by its distance to it."""
    return max(check.low - value, value - check.high)


def _whole(value: float) -> Measured:
    return Measured(value, None)


def _mean(check: Check, how: Row, samples: Samples) -> Measured:
    del check, how
    return _whole(float(samples.value.mean()))


def _median(check: Check, how: Row, samples: Samples) -> Measured:
    del check, how
    return _whole(float(np.median(samples.value)))


def _sd(check: Check, how: Row, samples: Samples) -> Measured:
    del check, how
    return _whole(float(samples.value.std()))


def _span(check: Check, how: Row, samples: Samples) -> Measured:
    del check, how
    return _whole(float(np.ptp(samples.value)))


def _minimum(check: Check, how: Row, samples: Samples) -> Measured:
    del check
    lowest = -held_maximum(Samples(samples.at_s, -samples.value), how.hold_s)
    place = int(np.nanargmin(lowest)) if not np.isnan(lowest).all() else None
    return _at(samples, lowest, place, float(samples.value.max()))


def _maximum(check: Check, how: Row, samples: Samples) -> Measured:
    del check
    highest = held_maximum(samples, how.hold_s)
    place = int(np.nanargmax(highest)) if not np.isnan(highest).all() else None
    return _at(samples, highest, place, float(samples.value.min()))


def _extremes(check: Check, how: Row, samples: Samples) -> Measured:
    low, high = _minimum(check, how, samples), _maximum(check, how, samples)
    return max(low, high, key=lambda measured: _excess(check, measured.value))


def _at(samples: Samples, held: FloatArray, place: int | None, otherwise: float) -> Measured:
    """Return the extreme; with samples too short for the hold, the value they all stayed beyond."""
    if place is None:
        return Measured(otherwise, None)
    return Measured(float(held[place]), float(samples.at_s[place]))


_STATISTICS: Final = {
    "mean": _mean,
    "median": _median,
    "sd": _sd,
    "span": _span,
    "min": _minimum,
    "max": _maximum,
    "extremes": _extremes,
}


class _Since(BaseIndexer):
    """Windows that reach back to the last sample at least `hold_s` ago."""

    starts: npt.NDArray[np.int64]

    def get_window_bounds(
        self,
        num_values: int = 0,
        min_periods: int | None = None,
        center: bool | None = None,
        closed: str | None = None,
        step: int | None = None,
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        del min_periods, center, closed, step
        return self.starts, np.arange(1, num_values + 1, dtype=np.int64)


def held_maximum(samples: Samples, hold_s: float) -> FloatArray:
    """Return at each sample the level that was not undercut for `hold_s` before it.

    NaN where the samples do not reach back that far. A single odd sample thus counts for nothing.
    """
    if hold_s <= 0:
        return samples.value
    starts = np.searchsorted(samples.at_s, samples.at_s - hold_s, side="right") - 1
    indexer = _Since(starts=np.maximum(starts, 0))
    series = pd.Series(samples.value)
    lowest = series.rolling(indexer, min_periods=1).min().to_numpy(dtype=np.float64)
    return np.where(starts >= 0, lowest, np.nan)
