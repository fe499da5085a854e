"""Temperatures equal after a long rest.

What: the span of coolant, intake air and ambient temperature at key-on after 8 h or more.

Why: after a night everything has one temperature; a sensor that differs has drifted.

Limits: needs the user's word that the engine was off that long. Makers compare after 6 to 8 h with
limits from about 10 to 42 °C; the limits here are our own.
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job, Tier
from analysis.data import label_of
from analysis.findings import Evidence, Finding, Severity


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the temperatures' agreement."""
    coverage = job.cover("after-soak")
    if not coverage.segments:
        return [check.not_judged(coverage.reason)]
    segment = coverage.segments[0]
    first: dict[str, float] = {}
    for signal in check.signals:
        inside = job.data.samples(signal).between(segment.start_s, segment.end_s)
        if inside.count:
            first[signal] = float(inside.value[0])
    if len(first) < 2:
        return [check.not_judged("needs two of coolant, intake air and ambient temperature")]
    values = np.array(list(first.values()))
    odd = list(first)[int(np.argmax(np.abs(values - np.median(values))))]
    readings = ", ".join(f"{label_of(name)} {value:g} °C" for name, value in first.items())
    return [
        check.judged(
            float(np.ptp(values)),
            Evidence(segment.seconds, len(first), segment.start_s, segment.start_s),
            because=f"first readings: {readings}",
            signal=odd if len(first) > 2 else next(iter(first)),
            condition="after-soak",
            extra=dict(first),
        )
    ]


CHECK = Check(
    name="cold-equality",
    title="Temperatures equal after a long rest",
    why="After a night all sensors read one temperature; the one that differs has drifted.",
    signals=("ECT", "IAT", "AAT"),
    conditions=("after-soak",),
    measure="span of the first readings",
    unit="°C",
    source="makers' data on intake temperature plausibility; limits our own",
    judge=judge,
    high=5,
    tiers=(Tier(Severity.WATCH, above=5), Tier(Severity.ATTENTION, above=10)),
    suggests=("the sensor that stands apart", "a rest that was shorter than stated"),
    confounders=("sun on the car", "block heater", "garage warmer than outside"),
)
