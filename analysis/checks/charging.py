"""Charging voltage with the engine running.

What: the mean voltage at 1,000 rpm or more, a minute or more after the start.

Why: an alternator that does not charge empties the battery, and low voltage makes codes of its own.

Limits: many cars control charging by demand, low at idle and high in overrun; a low voltage is then
normal. Such control is recognised when overrun without fuel lies 0.5 V or more above warm idle in a
log of ten minutes or more; then only 12.0 V and 15.5 V count. Without overrun in the log it cannot
be excluded, which the finding says.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analysis.checks.base import Check, Job, Tier, evidence_of, pooled
from analysis.findings import Finding, Severity

SMART_STEP_V = 0.5
SMART_LOG_S = 600.0


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the charging voltage."""
    signal = next((s for s in check.signals if job.data.has(s)), None)
    if signal is None:
        return [check.not_judged(f"needs {' or '.join(check.signals)}, which was not read")]
    coverage = job.cover("charging")
    if not coverage.segments:
        return [check.not_judged(coverage.reason, signal=signal)]
    windows, _ = job.windows(check, signal, "charging")
    samples = pooled(windows)
    gate = coverage.condition.min_samples
    if samples.count < gate:
        reason = f"{samples.count} readings of {signal} while charging; {gate} are needed"
        return [check.not_judged(reason, signal=signal)]
    value = float(samples.value.mean())
    smart = _smart(job, signal)
    if smart:
        check = check.expecting(12.2, 15.5, "makers' data on controlled charging")
        check = replace(check, tiers=(Tier(Severity.ATTENTION, below=12.0, above=15.5),))
    side = 1.0 if value > (check.low + check.high) / 2 else -1.0
    worst = int(np.argmax(side * samples.value))
    text = f"mean {check.text_of(value)} while driving"
    if smart:
        text += ", charging is controlled by demand (overrun above idle)"
    elif smart is None:
        text += "; charging controlled by demand cannot be excluded, for want of overrun in the log"
    return [
        check.judged(
            value,
            evidence_of(windows, float(samples.at_s[worst])),
            because=text,
            signal=signal,
            condition="charging",
            extra={
                "statistic": "mean",
                "lowest": float(samples.value.min()),
                "highest": float(samples.value.max()),
                "controlled": smart,
            },
        )
    ]


def _smart(job: Job, signal: str) -> bool | None:
    """Return whether charging is controlled by demand; None when the log cannot tell."""
    means = []
    for name in ("overrun", "warm-idle"):
        samples = job.data.samples(signal)
        parts = [samples.between(s.start_s, s.end_s).value for s in job.cover(name).segments]
        values = np.concatenate(parts) if parts else np.empty(0)
        means.append(float(values.mean()) if values.size else math.nan)
    if job.data.seconds < SMART_LOG_S or math.isnan(means[0] - means[1]):
        return None
    return means[0] - means[1] >= SMART_STEP_V


CHECK = Check(
    name="charging-voltage",
    title="Charging voltage",
    why="Shows whether the alternator charges; low voltage makes codes of its own.",
    signals=("VPWR", "ADAPTER_V"),
    conditions=("charging",),
    measure="mean",
    unit="V",
    source="makers' data and common practice for a fixed regulator (13.5 to 14.7 V)",
    judge=judge,
    low=13.5,
    high=14.7,
    tiers=(
        Tier(Severity.WATCH, below=13.2),
        Tier(Severity.ATTENTION, below=12.0, above=15.5),
    ),
    suggests=("belt or alternator", "wiring between alternator and battery", "heavy loads"),
    confounders=(
        "charging controlled by demand is low at idle and high in overrun",
        "a hot battery is charged lower",
    ),
    min_samples=3,
    gate_reason="the stretches are judged together and need 20 readings in all",
)
