"""Measured airflow against airflow computed from manifold pressure.

What: on a steady cruise, air mass flow divided by what pressure, temperature, speed and
displacement give at a volumetric efficiency of 0.75.

Why: two independent ways to the same quantity; when they part, one of their sensors is off.

Limits: the true efficiency lies between 0.5 and 1 and is not known, so the band is wide. With an
efficiency learned on a known good drive the user may narrow it to 0.85 to 1.15. Boost, exhaust gas
recirculation and late intake closing move it. Signals are paired by the nearest reading within 1 s.
"""

from __future__ import annotations

import numpy as np

from analysis.align import align_samples
from analysis.checks.base import Check, Job, Tier, evidence_of, pooled
from analysis.condition_table import condition
from analysis.data import FloatArray
from analysis.derive import absolute_load_pct, speed_density_g_s
from analysis.findings import Evidence, Finding, Severity

ASSUMED_EFFICIENCY = 0.75
PAIR_WITHIN_S = 1.0
SLOW_PAIR_WITHIN_S = 30.0
"""Air temperature moves slowly and may be paired across a longer time [s]."""


def judge_density(check: Check, job: Job) -> list[Finding]:
    """Return the finding on airflow against speed density."""
    reason = job.missing("MAF", "MAP", "IAT", "RPM") or _no_displacement(job)
    if reason or job.facts.displacement_l is None:
        return [check.not_judged(reason)]
    windows, reason = job.windows(check, "MAF", "cruise")
    if not windows:
        return [check.not_judged(reason)]
    flow = pooled(windows)
    pressure, speed = (_near(job, s, flow.at_s, PAIR_WITHIN_S) for s in ("MAP", "RPM"))
    intake = _near(job, "IAT", flow.at_s, SLOW_PAIR_WITHIN_S)
    computed = speed_density_g_s(
        pressure, job.facts.displacement_l, speed, intake, ASSUMED_EFFICIENCY
    )
    return _ratio(check, flow.value, computed, evidence_of(windows), "speed density")


def judge_load(check: Check, job: Job) -> list[Finding]:
    """Return the finding on absolute load against airflow."""
    reason = job.missing("MAF", "LOAD_ABS", "RPM") or _no_displacement(job)
    if reason or job.facts.displacement_l is None:
        return [check.not_judged(reason)]
    windows, reason = job.windows(check, "LOAD_ABS", "cruise")
    if not windows:
        return [check.not_judged(reason)]
    load = pooled(windows)
    flow, speed = (_near(job, s, load.at_s, PAIR_WITHIN_S) for s in ("MAF", "RPM"))
    computed = absolute_load_pct(flow, job.facts.displacement_l, speed)
    return _ratio(check, load.value, computed, evidence_of(windows), "airflow")


def _ratio(
    check: Check,
    value: FloatArray,
    computed: FloatArray,
    evidence: Evidence,
    other: str,
) -> list[Finding]:
    known = ~np.isnan(computed) & (computed > 0)
    gate = condition("cruise").min_samples
    if int(known.sum()) < gate:
        return [
            check.not_judged(
                f"{int(known.sum())} pairs of readings close enough in time; {gate} are needed"
            )
        ]
    ratio = float(value[known].mean() / computed[known].mean())
    return [
        check.judged(
            ratio,
            evidence,
            because=(
                f"mean {value[known].mean():.1f} against {computed[known].mean():.1f} from {other}"
            ),
            signal=check.signals[0],
            condition="cruise",
            extra={"pairs": int(known.sum())},
        )
    ]


def _near(job: Job, signal: str, at_s: FloatArray, within_s: float) -> FloatArray:
    return align_samples(job.data.samples(signal), at_s, rule="nearest", max_age_s=within_s)[0]


def _no_displacement(job: Job) -> str:
    if job.facts.displacement_l is None:
        return "needs the engine's displacement, which is not known: state it to judge this"
    return ""


DENSITY = Check(
    name="airflow-speed-density",
    title="Air meter agrees with manifold pressure",
    why="Two ways to the same airflow; when they part, one of their sensors is off.",
    signals=("MAF", "MAP", "IAT", "RPM"),
    conditions=("cruise",),
    measure="measured over computed airflow",
    unit="ratio",
    source="ideal gas law; band our own, at a volumetric efficiency of 0.75",
    judge=judge_density,
    low=0.6,
    high=1.4,
    tiers=(Tier(Severity.WATCH, below=0.6, above=1.4),),
    suggests=(
        "low: air meter under-reads, or air enters behind it",
        "high: manifold pressure or air temperature reading, cam timing",
    ),
    confounders=(
        "volumetric efficiency lies between 0.5 and 1",
        "boost, EGR, late intake closing",
        "a displacement that is not right",
    ),
)

LOAD = Check(
    name="absolute-load",
    title="Absolute load agrees with airflow",
    why="Both say the same by definition; when they part, the displacement stated is not right.",
    signals=("LOAD_ABS", "MAF", "RPM"),
    conditions=("cruise",),
    measure="reported over computed absolute load",
    unit="ratio",
    source="SAE J1979, definition of PID 43; limit our own",
    judge=judge_load,
    low=0.95,
    high=1.05,
    suggests=("the displacement stated is not this engine's",),
    confounders=("a load derived from the same air meter is no independent witness",),
)
