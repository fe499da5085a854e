"""Warm-up from cold.

What: minutes of driving until the coolant reaches 75 °C, from a start below 35 °C.

Why: a thermostat that does not close keeps the engine cold, which costs fuel and closed loop.

Limits: judged only when it is not colder than −8 °C and the car was driven (mean speed above
16 km/h) with the engine hardly ever stopped. Makers compare with a model of start temperature,
load, speed and airflow, which is finer. A standstill of five minutes below 70 °C counts too (our
own limit). Stretches without data count as driving.
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job, Tier
from analysis.data import Samples
from analysis.findings import Evidence, Finding, Severity

START_BELOW_C = 35.0
WARM_C = 75.0
STALL_BELOW_C = 70.0
STALL_MIN = 5.0
COLDEST_C = -8.0
DRIVEN_KMH = 16.0


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the warm-up."""
    reason = job.missing("ECT", "RPM", "VSS")
    if reason:
        return [check.not_judged(reason)]
    coolant = job.data.samples("ECT")
    speed = job.data.samples("RPM")
    turning = speed.at_s[speed.value > 0]
    if not turning.size:
        return [check.not_judged("the engine did not run")]
    start_s = float(turning[0])
    begin = coolant.between(start_s - 10.0, start_s + 30.0)
    if not begin.count or begin.value[0] >= START_BELOW_C:
        return [check.not_judged(f"the session did not start below {START_BELOW_C:g} °C")]
    outside = job.data.samples("AAT")
    if outside.count and float(np.median(outside.value)) < COLDEST_C:
        return [check.not_judged(f"it was colder than {COLDEST_C:g} °C")]
    rising = coolant.between(start_s, job.data.start_s + job.data.seconds)
    if rising.count < 2:
        return [check.not_judged(f"{rising.count} readings of ECT after the start; 2 are needed")]
    warm = np.flatnonzero(rising.value >= WARM_C)
    end_s = float(rising.at_s[warm[0]]) if warm.size else float(rising.at_s[-1])
    driven = job.data.samples("VSS").between(start_s, end_s)
    stopped = sum(
        max(0.0, min(s.end_s, end_s) - max(s.start_s, start_s))
        for s in job.cover("engine-stopped").segments
    )
    minutes = (end_s - start_s) / 60.0
    if not driven.count or driven.value.mean() <= DRIVEN_KMH:
        return [check.not_judged(f"mean speed was not above {DRIVEN_KMH:g} km/h")]
    if stopped > 0.1 * (end_s - start_s):
        return [check.not_judged("the engine stood still for more than a tenth of the time")]
    stall_min = _longest_stall_s(rising.between(start_s, end_s)) / 60.0
    if not warm.size and minutes <= check.high and stall_min < STALL_MIN:
        highest = float(rising.value.max())
        return [
            check.not_judged(
                f"the log ends after {minutes:.1f} min at {highest:g} °C, before the limit"
            )
        ]
    text = f"{WARM_C:g} °C {'reached' if warm.size else 'not reached'} after {minutes:.1f} min"
    value = minutes
    if stall_min >= STALL_MIN:
        text += f"; it stood still for {stall_min:.1f} min below {STALL_BELOW_C:g} °C"
        value = max(minutes, check.high + stall_min)
    return [
        check.judged(
            value,
            Evidence(end_s - start_s, rising.between(start_s, end_s).count, start_s, end_s),
            because=f"from {begin.value[0]:g} °C, {text}",
            signal="ECT",
            extra={"minutes": minutes, "longest_stall_min": stall_min, "start_c": begin.value[0]},
        )
    ]


def _longest_stall_s(rising: Samples) -> float:
    """Return the longest time without a new highest value, below `STALL_BELOW_C` [s]."""
    highest = np.maximum.accumulate(rising.value)
    new = np.flatnonzero(np.diff(highest, prepend=-np.inf) > 0)
    ends = np.concatenate((rising.at_s[new[1:]], rising.at_s[-1:]))
    lengths = (ends - rising.at_s[new])[highest[new] < STALL_BELOW_C]
    return float(lengths.max()) if lengths.size else 0.0


CHECK = Check(
    name="warm-up",
    title="Coolant warms up in time",
    why="A thermostat that stays open keeps the engine cold.",
    signals=("ECT",),
    conditions=(),
    measure="minutes from the start to 75 °C",
    unit="min",
    source="makers' data on thermostat monitors; stall limit our own",
    judge=judge,
    high=15,
    tiers=(Tier(Severity.WATCH, above=15),),
    suggests=("thermostat stuck open", "low coolant", "sensor"),
    confounders=("heater on", "long idling", "diesels, hybrids and frost are slow"),
)
