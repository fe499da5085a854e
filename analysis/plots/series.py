"""What a line on a figure is made of: breaks where readings are missing, and few enough points.

A polled signal says nothing between two readings that lie far apart, so the line is broken there
instead of drawn through. Long logs are thinned per pixel column to the first, last, lowest and
highest reading, which draws the same picture as all readings would [M4].
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.data import Samples, SessionData
from analysis.quality import find_gaps, gap_threshold_s

Floats = npt.NDArray[np.float64]
Span = tuple[float, float]


@dataclass(frozen=True)
class Series:
    """One signal's readings in time order [s], with the spans in which there are none."""

    signal: str
    at_s: Floats
    value: Floats
    gaps: tuple[Span, ...] = ()
    interval_s: float = float("nan")

    @property
    def empty(self) -> bool:
        """Whether there is no reading with a value."""
        return self.at_s.size == 0

    def within(self, start_s: float, end_s: float) -> Series:
        """Return the series with the silences before its first and after its last reading.

        They count as gaps under the same rule as those between readings.
        """
        if self.empty:
            return self
        limit_s = gap_threshold_s(Samples(self.at_s, self.value))
        edges = ((start_s, float(self.at_s[0])), (float(self.at_s[-1]), end_s))
        missing = tuple((a, b) for a, b in edges if b - a > limit_s)
        return replace(self, gaps=merge_spans((*self.gaps, *missing)))


def build_series(data: SessionData, signal: str) -> Series:
    """Return the series of one signal of a session, empty when it was never read.

    A gap is what `analysis.quality` calls one for this signal, or what the file itself records.
    """
    samples = data.samples(signal)
    return series_of(signal, samples, tuple((g.start_s, g.end_s) for g in data.gaps))


def series_of(signal: str, samples: Samples, recorded: tuple[Span, ...] = ()) -> Series:
    """Return the series of `samples`; `recorded` are gaps known from elsewhere [s]."""
    if samples.count < 2:
        return Series(signal, samples.at_s, samples.value, merge_spans(recorded))
    found = find_gaps(samples, gap_threshold_s(samples))
    spans = (*((g.start_s, g.end_s) for g in found), *recorded)
    interval_s = float(np.median(np.diff(samples.at_s)))
    return Series(signal, samples.at_s, samples.value, merge_spans(spans), interval_s)


def merge_spans(spans: tuple[Span, ...]) -> tuple[Span, ...]:
    """Return the spans in order, those that overlap joined; a reading may part two that touch."""
    merged: list[Span] = []
    for start, end in sorted(spans):
        if end <= start:
            continue
        if merged and start < merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return tuple(merged)


def thin(at_s: Floats, value: Floats, columns: int) -> npt.NDArray[np.intp]:
    """Return the indices of the readings to draw: at most four for each of `columns` columns.

    References
    ----------
    [M4]
    """
    count = at_s.size
    if count <= 4 * columns:
        return np.arange(count)
    span_s = float(at_s[-1] - at_s[0])
    if span_s <= 0:
        return np.arange(count)
    column = np.minimum(((at_s - at_s[0]) / span_s * columns).astype(np.intp), columns - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    sizes = np.diff(starts, append=count)
    kept = [starts, starts + sizes - 1]
    for extreme in (np.minimum, np.maximum):
        is_extreme = value == np.repeat(extreme.reduceat(value, starts), sizes)
        where = np.flatnonzero(is_extreme)
        kept.append(where[np.unique(column[where], return_index=True)[1]])
    return np.unique(np.concatenate(kept))


def shared_spans(every: Sequence[Series]) -> tuple[Span, ...]:
    """Return the spans in which none of the series has readings."""
    shared = every[0].gaps
    for series in every[1:]:
        shared = merge_spans(
            tuple(
                (max(a, c), min(b, d)) for a, b in shared for c, d in series.gaps if a < d and c < b
            )
        )
    return shared


def broken_line(series: Series, columns: int = 2000) -> tuple[Floats, Floats]:
    """Return times and values to draw, with a NaN wherever the line must be broken."""
    chosen = thin(series.at_s, series.value, columns)
    at_s, value = series.at_s[chosen], series.value[chosen]
    if not series.gaps or at_s.size < 2:
        return at_s, value
    starts, ends = np.array(series.gaps, dtype=np.float64).T
    # The first gap that ends after a reading is the only one that can part it from the next.
    following = np.searchsorted(ends, at_s[:-1], side="right")
    begins = np.append(starts, np.inf)[following]
    parted = np.flatnonzero(begins < at_s[1:])
    middles = (at_s[parted] + at_s[parted + 1]) / 2
    return np.insert(at_s, parted + 1, middles), np.insert(value, parted + 1, np.nan)
