"""Vehicle speed without jumps.

What: the largest change of speed over half a second or more, as an acceleration.

Why: no road car changes speed faster than about 1.2 g; a jump is the signal's, often a wheel speed
that reaches the engine ECU through the brake ECU.

Limits: one step of the reading (1 km/h) is taken off. Changes across silences of more than 2 s are
not used.
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job, Tier
from analysis.findings import Evidence, Finding, Severity

OVER_S = 0.5
LONGEST_S = 2.0
STEP_KMH = 1.0
GATE = 20


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on jumps of the vehicle speed."""
    reason = job.missing("VSS")
    if reason:
        return [check.not_judged(reason)]
    speed = job.data.samples("VSS")
    later = np.searchsorted(speed.at_s, speed.at_s + OVER_S, side="left")
    places = np.flatnonzero(later < speed.count)
    later = later[places]
    seconds = speed.at_s[later] - speed.at_s[places]
    near = seconds <= LONGEST_S
    if int(near.sum()) < GATE:
        return [check.not_judged(f"{int(near.sum())} pairs of readings; {GATE} are needed")]
    places, later, seconds = places[near], later[near], seconds[near]
    change = np.abs(speed.value[later] - speed.value[places])
    acceleration = np.maximum(change - STEP_KMH, 0.0) / 3.6 / seconds
    worst = int(np.argmax(acceleration))
    steps = np.diff(speed.at_s)
    return [
        check.judged(
            float(acceleration[worst]),
            Evidence(
                float(steps[steps <= LONGEST_S].sum()),
                speed.count,
                float(speed.at_s[0]),
                float(speed.at_s[places[worst]]),
            ),
            because=(
                f"at most {change[worst]:.0f} km/h in {seconds[worst]:.1f} s "
                f"({acceleration[worst]:.1f} m/s²)"
            ),
            signal="VSS",
            condition="any",
        )
    ]


CHECK = Check(
    name="speed-steps",
    title="Vehicle speed without jumps",
    why="No road car changes speed faster than about 1.2 g; a jump is the signal's.",
    signals=("VSS",),
    conditions=("any",),
    measure="largest change over 0.5 s or more",
    unit="m/s²",
    source="our own screening limit",
    judge=judge,
    high=12,
    tiers=(Tier(Severity.ATTENTION, above=12),),
    suggests=("speed source: often a wheel speed sensor, through the brake ECU", "wiring"),
    confounders=("emergency braking", "spinning wheels"),
)
