"""How much of a drive a session holds, in the terms in which rules count driving."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.data import Samples, SessionData
from analysis.derive import distance
from analysis.quality import gap_threshold_s

RUNNING_RPM = 300.0
"""Above cranking speed the engine runs by itself (common practice, no source)."""

STANDSTILL_KMH = 1.6
"""Standstill in the general denominator: at most 1 mph.

13 CCR 1968.2(d)(4.3.2)(B), from memory.
"""

MOVING_KMH = 40.0
"""Its "vehicle operation": at least 25 mph, 40 km/h (same clause, from memory)."""

ENOUGH_RUNNING_S = 600.0
ENOUGH_MOVING_S = 300.0
ENOUGH_IDLE_S = 30.0
"""The general denominator's drive: 600 s of running engine, 300 s at 40 km/h or more, and 30 s
of unbroken idle (13 CCR 1968.2(d)(4.3.2)(B), from memory). Some monitors need more."""


@dataclass(frozen=True, slots=True)
class DriveSummary:
    """What was driven while the log ran; a time is None when its signal was not read.

    Attributes
    ----------
    seconds
        From first to last reading [s].
    running_s
        With the engine running [s].
    moving_s
        At 40 km/h or more [s].
    idle_s
        Longest unbroken idle at standstill [s].
    distance_km
        Outside gaps [km].
    unseen_s
        Time inside gaps of the speed signal, counted for nothing above [s].
    most_kmh
        Highest speed read [km/h].
    """

    seconds: float
    running_s: float | None
    moving_s: float | None
    idle_s: float | None
    distance_km: float | None
    unseen_s: float
    most_kmh: float | None

    @property
    def enough(self) -> bool | None:
        """Return whether this is the general denominator's drive, None when not known."""
        parts = (self.running_s, self.moving_s, self.idle_s)
        if any(part is None for part in parts):
            return None
        needed = (ENOUGH_RUNNING_S, ENOUGH_MOVING_S, ENOUGH_IDLE_S)
        return all(
            part >= need for part, need in zip(parts, needed, strict=True) if part is not None
        )


def summarise_drive(data: SessionData) -> DriveSummary:
    """Return how much driving the session shows."""
    engine, speed = data.samples("RPM"), data.samples("VSS")
    engine_held, speed_held = _held(engine), _held(speed)
    running_s = moving_s = idle_s = distance_km = most_kmh = None
    unseen_s = 0.0
    if engine.count:
        running_s = float(engine_held[engine.value > RUNNING_RPM].sum())
    if speed.count:
        driven = distance(speed, gap_threshold_s(speed))
        moving_s = float(speed_held[speed.value >= MOVING_KMH].sum())
        distance_km, unseen_s = driven.km, driven.interpolated_s
        most_kmh = float(speed.value.max())
    if engine.count and speed.count:
        idle_s = _longest_idle_s(engine, speed, speed_held)
    return DriveSummary(
        seconds=data.seconds,
        running_s=running_s,
        moving_s=moving_s,
        idle_s=idle_s,
        distance_km=distance_km,
        unseen_s=unseen_s,
        most_kmh=most_kmh,
    )


def _held(samples: Samples) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return how long each sample stands for [s]: until the next one, nothing across a gap."""
    if samples.count < 2:
        return np.zeros(samples.count)
    steps = np.diff(samples.at_s, append=samples.at_s[-1])
    return np.where(steps > gap_threshold_s(samples), 0.0, steps)


def _longest_idle_s(
    engine: Samples, speed: Samples, held: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> float:
    before = np.searchsorted(engine.at_s, speed.at_s, side="right") - 1
    age_s = speed.at_s - engine.at_s[np.maximum(before, 0)]
    fresh = (before >= 0) & (age_s <= gap_threshold_s(engine))
    runs = engine.value[np.maximum(before, 0)] > RUNNING_RPM
    idle = (speed.value <= STANDSTILL_KMH) & fresh & runs
    longest = current = 0.0
    for is_idle, seconds in zip(idle.tolist(), held.tolist(), strict=True):
        # A gap (held for nothing) ends the stretch: nobody saw what happened in it.
        current = current + seconds if is_idle and seconds > 0 else 0.0
        longest = max(longest, current)
    return longest
