"""Filling at full throttle.

What: volumetric efficiency at full throttle, over what a naturally aspirated engine reaches at that
engine speed (0.70 from 1,500 to 3,000 rpm, 0.85 near 3,500, 0.80 from 4,000 to 5,000).

Why: an engine that cannot breathe, or whose meter under-reads, shows it only at full throttle.

Limits: boosted engines exceed 1 and are not judged when that is known. Needs displacement and the
outside pressure (PID 33, else the stated altitude). Signals are paired by the nearest reading
within 1 s.
"""

from __future__ import annotations

import numpy as np

from analysis.align import align_samples
from analysis.checks.base import Check, Job, Tier, evidence_of, pooled
from analysis.derive import standard_pressure_kpa, volumetric_efficiency
from analysis.findings import Finding, Severity

SPEED_RPM = (1500.0, 3000.0, 3500.0, 4000.0, 5000.0)
EFFICIENCY = (0.70, 0.70, 0.85, 0.80, 0.80)
PAIR_WITHIN_S = 1.0


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the filling at full throttle."""
    reason = job.missing("MAF", "RPM", "IAT")
    litres = job.facts.displacement_l
    if not reason and litres is None:
        reason = "needs the engine's displacement, which is not known: state it to judge this"
    if not reason and job.facts.boosted:
        reason = "the engine is boosted; its filling is not limited by the outside pressure"
    outside_kpa = _outside_kpa(job)
    if not reason and outside_kpa is None:
        reason = "needs the outside pressure: neither PID 33 nor an altitude is known"
    if reason or litres is None or outside_kpa is None:
        return [check.not_judged(reason)]
    windows, reason = job.windows(check, "MAF", "full-throttle")
    if not windows:
        return [check.not_judged(reason)]
    flow = pooled(windows)
    speed, _ = align_samples(
        job.data.samples("RPM"), flow.at_s, rule="nearest", max_age_s=PAIR_WITHIN_S
    )
    intake, _ = align_samples(job.data.samples("IAT"), flow.at_s, rule="nearest", max_age_s=30.0)
    pressure = np.full(flow.value.shape, outside_kpa)
    filling = volumetric_efficiency(flow.value, litres, speed, pressure, intake)
    share = filling / np.interp(speed, SPEED_RPM, EFFICIENCY)
    known = ~np.isnan(share)
    if int(known.sum()) < 4:
        return [check.not_judged("fewer than 4 readings could be paired with engine speed")]
    value = float(np.median(share[known]))
    return [
        check.judged(
            value,
            evidence_of(windows, float(flow.at_s[known][int(np.argmin(share[known]))])),
            because=(
                f"filling {np.median(filling[known]):.2f} at {np.median(speed[known]):.0f} rpm, "
                f"{value:.2f} of what is usual there"
            ),
            signal="MAF",
            condition="full-throttle",
            extra={
                "filling": float(np.median(filling[known])),
                "highest_g_s_per_l": float(flow.value.max()) / litres,
            },
        )
    ]


def _outside_kpa(job: Job) -> float | None:
    barometer = job.data.samples("BARO")
    if barometer.count:
        return float(np.median(barometer.value))
    if job.facts.altitude_m is not None:
        return standard_pressure_kpa(job.facts.altitude_m)
    return None


CHECK = Check(
    name="full-throttle-filling",
    title="Filling at full throttle",
    why="An engine that cannot breathe, or whose meter under-reads, shows it only here.",
    signals=("MAF", "RPM", "IAT", "BARO"),
    conditions=("full-throttle",),
    measure="volumetric efficiency over the usual one at that speed",
    unit="ratio",
    source="trade literature on volumetric efficiency; tolerance our own",
    judge=judge,
    low=0.85,
    high=1.15,
    fuel="petrol",
    tiers=(Tier(Severity.WATCH, below=0.85), Tier(Severity.ATTENTION, below=0.8)),
    suggests=(
        "with raised fuel trims: air meter under-reads",
        "with normal trims: restricted exhaust or intake",
        "throttle not fully open",
        "valve timing",
    ),
    confounders=("boost exceeds it", "traction control", "altitude stated wrongly"),
)
