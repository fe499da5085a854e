"""Time axes that people read: seconds, minutes or hours, at round steps."""

from __future__ import annotations

import math
from typing import Final

STEPS_S: Final = (
    *(0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30),
    *(60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400),
)
DAY_S: Final = STEPS_S[-1]
MOST_TICKS: Final = 9


def time_step_s(span_s: float) -> float:
    """Return the smallest round step [s] that puts at most nine ticks on `span_s`.

    Beyond nine days it is a whole number of days, however long one bad time stamp makes it.
    """
    step = next((s for s in STEPS_S if span_s / s <= MOST_TICKS), None)
    return step or math.ceil(span_s / MOST_TICKS / DAY_S) * DAY_S


def time_axis_label(span_s: float) -> str:
    """Return the label of a time axis of that length."""
    if span_s < 180:
        return "Time since start [s]"
    return "Time since start [min:s]" if span_s < 3600 else "Time since start [h:min]"


def time_text(at_s: float, span_s: float) -> str:
    """Return `at_s` written as an axis of length `span_s` writes it."""
    sign = "−" if at_s < -1e-9 else ""
    at_s = abs(at_s)
    if span_s < 180:
        return f"{sign}{at_s:g}" if span_s >= 1 else f"{sign}{at_s:.2f}"
    if span_s < 3600:
        whole = round(at_s)
        return f"{sign}{whole // 60}:{whole % 60:02d}"
    minutes = round(at_s / 60)
    return f"{sign}{minutes // 60}:{minutes % 60:02d}"


def duration_text(seconds: float) -> str:
    """Return a length of time in words short enough for a figure."""
    if seconds < 10:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    whole = round(seconds)
    if seconds < 3600:
        return f"{whole // 60}:{whole % 60:02d} min"
    return f"{whole // 3600}:{whole % 3600 // 60:02d} h"
