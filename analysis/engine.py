"""Two signals computed from readings: what the engine is doing, and for how long.

A key-on with the engine off looks like the automatic stop at a traffic light: 0 rpm and 0 km/h.
Only history tells them apart, so it is followed here, once, for every condition.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from analysis.align import align_samples
from analysis.data import NO_SAMPLES, FloatArray, Samples, SessionData
from analysis.quality import gap_threshold_s

Flags = npt.NDArray[np.bool_]

NOT_STARTED, RUNNING, STOPPED, CRANKING = 0.0, 1.0, 2.0, 3.0

STARTED_RPM = 500.0
CRANKING_RPM = 50.0
SETTLED_AFTER_STOP_S = 10.0
"""An engine that has turned is taken as off only this long after it stopped [s]."""


def samples_of(data: SessionData, signal: str) -> Samples:
    """Return the samples of a signal, read or computed (``ENGINE``, ``RUN_S``)."""
    if signal == "ENGINE":
        return engine_state(data)
    if signal == "RUN_S":
        return run_time(data)
    return data.samples(signal)


def first_samples(data: SessionData, signals: Sequence[str]) -> Samples | None:
    """Return the samples of the first of `signals` that has any, or None."""
    for signal in signals:
        samples = samples_of(data, signal)
        if samples.count:
            return samples
    return None


def engine_state(data: SessionData) -> Samples:
    """Return the engine's state at every reading of its speed; the codes stand above.

    After the engine has run, 0 rpm means `STOPPED` (stop-start, hybrid, stall) until its run time
    (PID 1F) is back at 0, which a new key cycle does; without that PID it never goes back to
    `NOT_STARTED`. Rolling at 0 rpm is `STOPPED` too.
    """
    key = ("ENGINE", None)
    if key not in data._cache:
        data._cache[key] = _engine_state(data)
    return data._cache[key]


def _engine_state(data: SessionData) -> Samples:
    speed = data.samples("RPM")
    if not speed.count:
        return NO_SAMPLES
    at, rpm = speed.at_s, speed.value
    turning = rpm > 0
    rolling = _held(data, "VSS", at) > 0
    started = _last(rpm >= STARTED_RPM) > _last(_key_cycles(data, speed))
    since_turned = at - np.where(_last(turning) >= 0, at[_last(turning)], -np.inf)
    state = np.full(at.shape, NOT_STARTED)
    state[turning] = RUNNING
    state[turning & ~started & (rpm < STARTED_RPM) & (rpm >= CRANKING_RPM)] = CRANKING
    state[~turning & (started | rolling | (since_turned < SETTLED_AFTER_STOP_S))] = STOPPED
    return Samples(at, state)


def run_time(data: SessionData) -> Samples:
    """Return the seconds since the engine was started.

    That is PID 1F where the car has it; else the time since it was first seen turning in this
    session, which is never too long. An automatic stop does not set it back.
    """
    key = ("RUN_S", None)
    if key not in data._cache:
        read = data.samples("RUNTM")
        data._cache[key] = read if read.count else _run_time(data.samples("RPM"))
    return data._cache[key]


def _run_time(speed: Samples) -> Samples:
    turning = np.flatnonzero(speed.value > 0)
    if not turning.size:
        return Samples(speed.at_s, np.zeros(speed.count))
    return Samples(speed.at_s, np.maximum(0.0, speed.at_s - speed.at_s[turning[0]]))


def _key_cycles(data: SessionData, speed: Samples) -> Flags:
    """Return where the engine stands still and its run time has gone back to zero."""
    run = _held(data, "RUNTM", speed.at_s)
    return np.asarray((speed.value == 0) & (run == 0))


def _held(data: SessionData, signal: str, at: FloatArray) -> FloatArray:
    samples = data.samples(signal)
    age_s = gap_threshold_s(samples)
    return align_samples(samples, at, rule="previous", max_age_s=age_s)[0]


def _last(flags: Flags) -> npt.NDArray[np.intp]:
    """Return at each place the last place up to it where `flags` holds; −1 for none."""
    return np.maximum.accumulate(np.where(flags, np.arange(flags.size), -1))
