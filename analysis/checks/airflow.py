"""Airflow per litre of displacement, without load.

What: mean air mass flow divided by displacement, at warm idle and held at 2,500 rpm.

Why: an engine without load needs little more than its displacement says; less means that air comes
in behind the meter or that the meter reads low, more that something loads the engine.

Limits: falls about 11 % for each kilometre of altitude; diesels with exhaust gas recirculation and
large engines read low. Needs the displacement.
"""

from __future__ import annotations

from analysis.checks.base import Check, Job, Tier, evidence_of, pooled
from analysis.condition_table import condition
from analysis.findings import Finding, Severity


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the airflow in the check's condition."""
    reason = job.missing("MAF")
    litres = job.facts.displacement_l
    if not reason and litres is None:
        reason = "needs the engine's displacement, which is not known: state it to judge this"
    if reason or litres is None:
        return [check.not_judged(reason)]
    name = check.conditions[0]
    windows, reason = job.windows(check, "MAF", name)
    if not windows:
        return [check.not_judged(reason)]
    mean = float(pooled(windows).value.mean())
    return [
        check.judged(
            mean / litres,
            evidence_of(windows),
            because=f"{mean:.2f} g/s in {condition(name).title}, for {litres:g} L of displacement",
            signal="MAF",
            condition=name,
            extra={"mean_g_s": mean, "displacement_l": litres},
        )
    ]


IDLE = Check(
    name="idle-airflow",
    title="Airflow per litre at warm idle",
    why="Little: air comes in behind the meter, or it reads low. Much: the engine is loaded.",
    signals=("MAF",),
    conditions=("warm-idle",),
    measure="mean airflow per litre",
    unit="g/s·L",
    source="makers' data (1.1, and 1.3 to 1.9, are printed); 1 g/s a litre is common practice",
    judge=judge,
    low=0.8,
    high=2.0,
    tiers=(Tier(Severity.WATCH, below=0.8, above=2.0),),
    suggests=(
        "low: air leak behind the meter, dirty air meter",
        "high: idle load, drag, air meter",
    ),
    confounders=("altitude: −11 % a kilometre", "diesel with EGR", "large engines read low"),
)

HELD = Check(
    name="held-airflow",
    title="Airflow per litre held at 2,500 rpm",
    why="The same comparison at more flow, where a small leak matters less and the meter more.",
    signals=("MAF",),
    conditions=("warm-2500",),
    measure="mean airflow per litre",
    unit="g/s·L",
    source="makers' data",
    judge=judge,
    low=3.0,
    high=6.0,
    tiers=(Tier(Severity.WATCH, below=3.0, above=6.0),),
    suggests=("low: dirty air meter, air leak behind it", "high: load, air meter"),
    confounders=("altitude: −11 % a kilometre", "electrical and air conditioning load"),
)
