"""Switching of the narrow-band oxygen sensor before the catalyst.

What: crossings of 0.45 V in ten seconds at warm idle or held at 2,500 rpm.

Why: in closed loop the mixture swings around lambda 1 and a healthy sensor follows.

Limits: a healthy signal may swing three times a second; read less than five times a second its
crossings are chance, so then nothing is judged. Sensor 1 is taken as bank 1 before the catalyst
(PID 13 numbering).
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job, Tier, evidence_of, pooled
from analysis.findings import Finding, Severity

LEAST_HZ = 5.0
MIDDLE_V = 0.45
LOW_V, HIGH_V = 0.4, 0.5
"""Lean readings lie below, rich readings above [V] (makers print 0.2 to 0.4 and 0.5 to 0.8)."""


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the findings on sensor 1, one for each condition that occurred."""
    signal = check.signals[0]
    reason = job.missing(signal)
    if reason:
        return [check.not_judged(reason)]
    found: list[Finding] = []
    reasons: dict[str, None] = {}
    for name in check.conditions:
        windows, reason = job.windows(check, signal, name)
        if not windows:
            reasons[reason] = None
            continue
        steps = np.concatenate([np.diff(window.samples.at_s) for window in windows])
        rate_hz = 1.0 / float(np.median(steps))
        if rate_hz < LEAST_HZ:
            reasons[
                f"read {rate_hz:.1f} times a second; below {LEAST_HZ:g} its switching is not judged"
            ] = None
            continue
        seconds = sum(float(np.ptp(window.samples.at_s)) for window in windows)
        crossings = sum(
            int(np.count_nonzero(np.diff(window.samples.value > MIDDLE_V))) for window in windows
        )
        low, high = np.percentile(pooled(windows).value, (5, 95))
        swing = "" if low < LOW_V and high > HIGH_V else _stuck(float(low), float(high))
        found.append(
            check.judged(
                crossings / seconds * 10.0 if not swing else 0.0,
                evidence_of(windows),
                because=(
                    f"{crossings} crossings in {seconds:.0f} s, {low:.2f} to {high:.2f} V, read "
                    f"{rate_hz:.0f} times a second{swing}"
                ),
                signal=signal,
                condition=name,
                extra={"rate_hz": rate_hz, "low_v": float(low), "high_v": float(high)},
            )
        )
    return found or [check.not_judged("; ".join(reasons), signal=signal)]


def _stuck(low: float, high: float) -> str:
    if low >= 0.40 and high <= 0.50:
        return "; it stays at its bias: open circuit or unplugged"
    return "; it stays lean" if high <= HIGH_V else "; it stays rich" if low >= LOW_V else ""


CHECK = Check(
    name="oxygen-switching",
    title="Oxygen sensor before the catalyst switches",
    why="In closed loop the mixture swings around lambda 1; a healthy sensor follows.",
    signals=("O2S1_V",),
    conditions=("warm-idle", "warm-2500"),
    measure="crossings of 0.45 V in 10 s",
    unit="count",
    source="makers' data on oxygen sensors; sampling limit our own",
    judge=judge,
    low=3,
    fuel="petrol",
    tiers=(Tier(Severity.WATCH, below=3),),
    suggests=(
        "aged sensor",
        "at 0.43 to 0.45 V: open circuit or unplugged",
        "low: lean mixture or exhaust leak",
        "high: rich mixture",
    ),
    confounders=("polling rate", "wide-range sensors do not switch"),
)
