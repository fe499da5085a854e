"""Where a session meets a driving condition: the vectorised evaluation of ``conditions.toml``.

Between its samples a signal is taken to keep its last value, for as long as its own polling makes
usual (`analysis.quality.gap_threshold_s`); beyond that it is unknown and the condition not met.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.align import align_samples
from analysis.condition_table import Condition, Predicate, condition
from analysis.data import FloatArray, Samples, SessionData
from analysis.engine import first_samples
from analysis.facts import VehicleFacts
from analysis.quality import gap_threshold_s

Flags = npt.NDArray[np.bool_]


class Segment(NamedTuple):
    """A stretch in which a condition holds [s]."""

    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        """Return its length [s]."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Coverage:
    """Where a condition was met.

    Attributes
    ----------
    segments
        In order, apart from one another.
    reason
        Why there is none; empty when there is.
    judgeable
        False when the session lacks what the condition needs, so that it could not be met.
    relaxed
        Requirements that were left out, and why.
    """

    condition: Condition
    segments: tuple[Segment, ...]
    reason: str = ""
    judgeable: bool = True
    relaxed: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """Return the time that is covered [s]."""
        return sum(segment.seconds for segment in self.segments)


class _Part(NamedTuple):
    """A requirement with the samples it is tested on."""

    predicate: Predicate
    samples: Samples
    max_age_s: float


def find_segments(
    data: SessionData,
    name: str,
    facts: VehicleFacts | None = None,
    *,
    without: Collection[str] = (),
) -> list[Segment]:
    """Return where `data` meets the condition called `name`; see `cover`."""
    return list(cover(data, name, facts, without=without).segments)


def cover(
    data: SessionData,
    name: str,
    facts: VehicleFacts | None = None,
    *,
    without: Collection[str] = (),
) -> Coverage:
    """Return where `data` meets the condition called `name`, or why it cannot.

    Parameters
    ----------
    without
        Names of limits that are left out, because they are what a check is about to judge.

    Raises
    ------
    TableError
        When no condition is called so.
    """
    wanted = condition(name)
    facts = facts or VehicleFacts.from_session(data)
    if wanted.soak_h and (facts.soak_h is None or facts.soak_h < wanted.soak_h):
        reason = f"needs the statement that the engine was off for {wanted.soak_h:g} h before"
        return Coverage(wanted, (), reason, judgeable=False)
    parts: list[_Part] = []
    relaxed: list[str] = []
    for predicate in wanted.where:
        if predicate.limit and predicate.limit in without:
            continue
        found = first_samples(data, predicate.signals)
        if predicate.fuel and facts.fuel != predicate.fuel and (facts.fuel or found is None):
            if not facts.fuel:
                relaxed.append(f"{predicate.signals[0]} left out: fuel not known")
            continue
        if found is None:
            missing = " or ".join(predicate.signals)
            return Coverage(
                wanted, (), f"{wanted.title} needs {missing}, which was not read", judgeable=False
            )
        parts.append(_Part(predicate, found, gap_threshold_s(found)))
    segments = _segments(data, wanted, parts)
    reason = "" if segments else f"{wanted.title} was not met{_for(wanted.dwell_s)}"
    return Coverage(wanted, tuple(segments), reason, relaxed=tuple(relaxed))


def _for(dwell_s: float) -> str:
    return f" for {dwell_s:g} s without interruption" if dwell_s else ""


def _segments(data: SessionData, wanted: Condition, parts: list[_Part]) -> list[Segment]:
    if not parts:
        whole = Segment(data.start_s, data.start_s + data.seconds)
        return [whole] if len(data.readings) else []
    grid = np.unique(np.concatenate([part.samples.at_s for part in parts]))
    met = np.ones(grid.shape, dtype=np.bool_)
    for part in parts:
        if part.predicate.statistic == "value":
            met &= _held(part, _point_flags(part), grid)
    longest_step_s = min(part.max_age_s for part in parts)
    runs = _runs(grid, met, longest_step_s)
    windows = [part for part in parts if part.predicate.statistic != "value"]
    found: list[Segment] = []
    for first, last in runs:
        start, end = float(grid[first]), float(grid[last])
        if end - start < wanted.dwell_s:
            continue
        if windows:
            found += _window_segments(grid[first : last + 1], windows, wanted.dwell_s)
        else:
            found.append(Segment(start, end))
    if not math.isinf(wanted.longest_s):
        found = [Segment(s.start_s, min(s.end_s, s.start_s + wanted.longest_s)) for s in found[:1]]
    return found


def _point_flags(part: _Part) -> Flags:
    """Return which samples keep the limits of a predicate on single values."""
    predicate, value = part.predicate, part.samples.value
    if predicate.share_of_maximum is not None:
        highest = float(value.max())
        if highest < predicate.maximum_at_least:
            return np.zeros(value.shape, dtype=np.bool_)
        return np.asarray(value >= predicate.share_of_maximum * highest)
    if predicate.above_minimum is not None:
        return np.asarray(value <= float(value.min()) + predicate.above_minimum)
    flags = (value >= predicate.low) & (value <= predicate.high)
    if predicate.one_of:
        flags &= np.isin(value, predicate.one_of)
    return np.asarray(flags)


def _held(part: _Part, flags: Flags, grid: FloatArray) -> Flags:
    """Return the samples' `flags` at the times of `grid`, False where too old."""
    held, _ = align_samples(
        Samples(part.samples.at_s, flags.astype(np.float64)),
        grid,
        rule="previous",
        max_age_s=part.max_age_s,
    )
    return np.asarray(held == 1.0)


def _runs(grid: FloatArray, met: Flags, longest_step_s: float) -> list[tuple[int, int]]:
    """Return first and last place of each stretch where `met` holds without a long step."""
    places = np.flatnonzero(met)
    if not places.size:
        return []
    breaks = (np.diff(places) > 1) | (np.diff(grid[places]) > longest_step_s)
    firsts = places[np.concatenate(([True], breaks))]
    lasts = places[np.concatenate((breaks, [True]))]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def _window_segments(grid: FloatArray, windows: list[_Part], dwell_s: float) -> list[Segment]:
    """Return the parts of one stretch in which every window of `dwell_s` keeps its limits."""
    start = float(grid[0])
    met = np.asarray(grid - start >= dwell_s)
    for part in windows:
        inside = part.samples.between(start, float(grid[-1]))
        if inside.count < 2:
            return []
        flags = _window_flags(inside, part.predicate, dwell_s)
        met &= _held(_Part(part.predicate, inside, part.max_age_s), flags, grid)
    merged: list[Segment] = []
    for first, last in _runs(grid, met, math.inf):
        segment = Segment(max(start, float(grid[first]) - dwell_s), float(grid[last]))
        if merged and segment.start_s <= merged[-1].end_s:
            merged[-1] = Segment(merged[-1].start_s, segment.end_s)
        else:
            merged.append(segment)
    return merged


def _window_flags(samples: Samples, predicate: Predicate, dwell_s: float) -> Flags:
    """Return at each sample whether the window that ends there keeps the limits."""
    series = pd.Series(samples.value, index=pd.to_timedelta(samples.at_s, unit="s"))
    rolling = series.rolling(pd.Timedelta(seconds=dwell_s), closed="both")
    if predicate.statistic == "mean":
        result = rolling.mean().to_numpy()
    elif predicate.statistic == "sd":
        result = rolling.std(ddof=0).to_numpy()
    elif predicate.statistic == "span":
        result = rolling.max().to_numpy() - rolling.min().to_numpy()
    else:
        earlier = np.searchsorted(samples.at_s, samples.at_s - dwell_s, side="left")
        result = samples.value - samples.value[earlier]
    return np.asarray((result >= predicate.low) & (result <= predicate.high))
