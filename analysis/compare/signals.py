"""Readings of two sessions side by side, each under the same driving condition."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.compare.model import SignalChange, Statistics
from analysis.condition_table import condition
from analysis.conditions import Segment, find_segments
from analysis.data import Samples, SessionData, label_of, unit_of
from obdlog.errors import TableError

CONDITIONS = ("key-on", "warm-idle", "warm-2500", "cruise", "full-throttle", "overrun")
"""Conditions in which readings of two drives mean the same (see ``conditions.toml``)."""

FALLBACK = "running"
"""Used for a signal that has none of the above in common; the result names it."""

FEWEST_SAMPLES = 5
"""Fewer readings than this make no mean worth comparing (our own limit)."""


def compare_signals(
    before: SessionData | None, after: SessionData | None
) -> tuple[SignalChange, ...]:
    """Return the statistics of every quantity that both sessions read, condition by condition.

    Enumerations and flags have no unit and are left out: their mean says nothing.
    """
    if before is None or after is None:
        return ()
    shared = [s for s in before.signals() if s in set(after.signals()) and _unit(s)]
    windows = {
        name: (find_segments(before, name), find_segments(after, name))
        for name in (*CONDITIONS, FALLBACK)
    }
    found: list[SignalChange] = []
    for signal in shared:
        rows = [
            row
            for name in CONDITIONS
            if (row := _row(signal, name, before, after, windows[name])) is not None
        ]
        if not rows:
            row = _row(signal, FALLBACK, before, after, windows[FALLBACK])
            rows = [row] if row is not None else []
        found += rows
    return tuple(found)


def _row(
    signal: str,
    name: str,
    before: SessionData,
    after: SessionData,
    windows: tuple[Sequence[Segment], Sequence[Segment]],
) -> SignalChange | None:
    sides = [
        _statistics(data.samples(signal), segments)
        for data, segments in zip((before, after), windows, strict=True)
    ]
    if sides[0] is None or sides[1] is None:
        return None
    return SignalChange(
        signal=signal,
        label=label_of(signal),
        unit=_unit(signal),
        condition=condition(name).title,
        before=sides[0],
        after=sides[1],
    )


def _statistics(samples: Samples, segments: Sequence[Segment]) -> Statistics | None:
    values = [samples.between(s.start_s, s.end_s).value for s in segments]
    inside = np.concatenate(values) if values else np.empty(0)
    if inside.size < FEWEST_SAMPLES:
        return None
    return Statistics(
        mean=float(inside.mean()),
        least=float(inside.min()),
        most=float(inside.max()),
        samples=int(inside.size),
    )


def _unit(signal: str) -> str:
    try:
        return unit_of(signal)
    except TableError:
        return ""
