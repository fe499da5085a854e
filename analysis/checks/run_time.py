"""Run time counts on.

What: how often the time since engine start (PID 1F) falls back during the session.

Why: a reset is a new start, a stall, or an ECU that lost its supply.

Limits: cars with stop-start handle the counter differently; a restart by the driver resets it too.
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job
from analysis.findings import Evidence, Finding

GATE = 20


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on resets of the run time."""
    reason = job.missing("RUNTM")
    if reason:
        return [check.not_judged(reason)]
    run = job.data.samples("RUNTM")
    if run.count < GATE:
        return [check.not_judged(f"{run.count} readings of RUNTM; {GATE} are needed")]
    resets = np.flatnonzero(np.diff(run.value) < 0) + 1
    first = float(run.at_s[resets[0]]) if resets.size else None
    return [
        check.judged(
            float(resets.size),
            Evidence(float(np.ptp(run.at_s)), run.count, float(run.at_s[0]), first),
            because=f"the counter fell back {resets.size} times",
            signal="RUNTM",
            condition="any",
        )
    ]


CHECK = Check(
    name="run-time",
    title="Run time counts on without a reset",
    why="A reset is a new start, a stall, or an ECU that lost its supply.",
    signals=("RUNTM",),
    conditions=("any",),
    measure="resets",
    unit="count",
    source="SAE J1979, definition of PID 1F; meaning of a reset from memory",
    judge=judge,
    high=0,
    suggests=("the driver restarted the engine", "the engine stalled", "the ECU lost its supply"),
    confounders=("stop-start systems handle the counter differently",),
)
