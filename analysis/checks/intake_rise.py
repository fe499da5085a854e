"""Intake air above ambient on a cruise.

What: mean intake temperature minus ambient temperature, five minutes or more after the start.

Why: moving air is hardly warmer than outside; a large difference is heat soak, a warm-air flap or a
sensor.

Limits: on a turbocharged engine a sensor behind the compressor reads 20 to 40 °C more.
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job, evidence_of, pooled
from analysis.engine import run_time
from analysis.findings import Finding

AFTER_S = 300.0


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the intake air's warmth."""
    reason = job.missing("IAT", "AAT")
    if reason:
        return [check.not_judged(reason)]
    windows, reason = job.windows(check, "IAT", "cruise")
    if not windows:
        return [check.not_judged(reason)]
    run = run_time(job.data)
    warm = run.at_s[run.value >= AFTER_S]
    windows = [w for w in windows if warm.size and w.segment.start_s >= warm[0]]
    if not windows:
        return [check.not_judged("no cruise five minutes or more after the start")]
    intake = pooled(windows)
    outside = float(np.median(job.data.samples("AAT").value))
    value = float(intake.value.mean()) - outside
    return [
        check.judged(
            value,
            evidence_of(windows, float(intake.at_s[int(np.argmax(intake.value))])),
            because=f"intake {intake.value.mean():.0f} °C, ambient {outside:.0f} °C",
            signal="IAT",
            condition="cruise",
        )
    ]


CHECK = Check(
    name="intake-rise",
    title="Intake air not much warmer than outside",
    why="Moving air is hardly warmer than outside.",
    signals=("IAT", "AAT"),
    conditions=("cruise",),
    measure="mean intake minus ambient temperature",
    unit="°C",
    source="common practice, no source",
    judge=judge,
    low=-5,
    high=15,
    suggests=("heat soak", "warm-air flap", "sensor"),
    confounders=("behind a turbocharger 20 to 40 °C above ambient is normal",),
)
