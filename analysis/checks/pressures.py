"""Manifold and barometric pressure with the engine off, and against the altitude.

What: the difference of manifold and barometric pressure at key-on; barometric pressure against the
standard atmosphere of the stated altitude.

Why: with the engine off the manifold holds outside air, so both sensors must agree.

Limits: some cars learn the barometric value from the manifold sensor, which makes them agree by
construction; turbocharged engines have a sensor of its own for boost. Weather moves the pressure by
a few kPa; PID 33 has steps of 1 kPa.
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job, Tier, evidence_of, pooled
from analysis.derive import standard_pressure_kpa
from analysis.findings import Evidence, Finding, Severity


def judge_key_on(check: Check, job: Job) -> list[Finding]:
    """Return the finding on manifold against barometric pressure."""
    reason = job.missing("MAP", "BARO")
    if reason:
        return [check.not_judged(reason)]
    windows, reason = job.windows(check, "MAP", "key-on")
    if not windows:
        return [check.not_judged(reason)]
    manifold = float(np.median(pooled(windows).value))
    outside = float(np.median(job.data.samples("BARO").value))
    return [
        check.judged(
            abs(manifold - outside),
            evidence_of(windows),
            because=f"manifold {manifold:.0f} kPa, barometer {outside:.0f} kPa at key-on",
            signal="MAP",
            condition="key-on",
            extra={"manifold_kpa": manifold, "barometer_kpa": outside},
        )
    ]


def judge_altitude(check: Check, job: Job) -> list[Finding]:
    """Return the finding on barometric pressure against the altitude."""
    reason = job.missing("BARO")
    if not reason and job.facts.altitude_m is None:
        reason = "needs the altitude, which is not known: state it to judge this"
    if reason or job.facts.altitude_m is None:
        return [check.not_judged(reason)]
    barometer = job.data.samples("BARO")
    read = float(barometer.value[: max(1, barometer.count // 10)].mean())
    standard = standard_pressure_kpa(job.facts.altitude_m)
    return [
        check.judged(
            read - standard,
            Evidence(0.0, barometer.count, float(barometer.at_s[0]), None),
            because=(
                f"{read:.0f} kPa at the start, {standard:.1f} kPa is standard at "
                f"{job.facts.altitude_m:.0f} m"
            ),
            signal="BARO",
            condition="any",
        )
    ]


KEY_ON = Check(
    name="key-on-pressure",
    title="Manifold pressure equals outside pressure with the engine off",
    why="With the engine off the manifold holds outside air: two sensors, one pressure.",
    signals=("MAP", "BARO"),
    conditions=("key-on",),
    measure="difference of the medians",
    unit="kPa",
    source="makers' data on vacuum sensors; limits our own",
    judge=judge_key_on,
    high=3,
    tiers=(Tier(Severity.WATCH, above=3), Tier(Severity.ATTENTION, above=5)),
    suggests=("manifold pressure sensor", "barometric sensor", "hose or its port"),
    confounders=("a barometric value learned from the same sensor", "a separate boost sensor"),
    min_samples=3,
    gate_reason="nothing moves with the engine off",
)

ALTITUDE = Check(
    name="barometer-altitude",
    title="Barometric pressure fits the altitude",
    why="This value corrects every load and mixture; the altitude says what it should be.",
    signals=("BARO",),
    conditions=("any",),
    measure="difference from the standard atmosphere",
    unit="kPa",
    source="ISO 2533 standard atmosphere; tolerance our own",
    judge=judge_altitude,
    low=-3,
    high=3,
    tiers=(Tier(Severity.WATCH, below=-3, above=3),),
    suggests=("barometric sensor", "an altitude that is not right"),
    confounders=("weather: 3 kPa is an uncommon day", "PID 33 has steps of 1 kPa"),
)
