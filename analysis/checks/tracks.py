"""Two sensors on one shaft: the tracks of throttle and pedal.

What: how far the second track strays from a straight line through the first, over a good part of
the travel.

Why: both tracks measure one position. When they part, connector, reference or sensor is at fault,
and the car limits its power.

Limits: scale, offset and direction differ by design, so a line is fitted instead of comparing. The
two are never read at the same moment: only moments in which the first track moved by a point or
less around the reading of the second are used. Needs 30 points of travel for the throttle, 20 for
the pedal.
"""

from __future__ import annotations

import numpy as np

from analysis.align import align_samples
from analysis.checks.base import Check, Job, Tier
from analysis.findings import Evidence, Finding, Severity

STEADY_POINTS = 1.0
WITHIN_S = 2.0
GATE = 20
SHARE = 95
"""The residual that this share of the readings keeps [%]; one odd pair counts for nothing."""


def judge_throttle(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the throttle's tracks."""
    return _judge(check, job, 30.0)


def judge_pedal(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the pedal's tracks."""
    return _judge(check, job, 20.0)


def _judge(check: Check, job: Job, travel: float) -> list[Finding]:
    first, second = check.signals
    reason = job.missing(first, second)
    if reason:
        return [check.not_judged(reason)]
    one, two = job.data.samples(first), job.data.samples(second)
    before, _ = align_samples(one, two.at_s, rule="previous", max_age_s=WITHIN_S)
    line, _ = align_samples(one, two.at_s, rule="linear", max_age_s=WITHIN_S)
    steady = np.abs(line - before) <= STEADY_POINTS / 2
    after, _ = align_samples(one, two.at_s, rule="nearest", max_age_s=WITHIN_S)
    steady &= np.abs(after - before) <= STEADY_POINTS
    if int(steady.sum()) < GATE:
        return [
            check.not_judged(
                f"{int(steady.sum())} readings with {first} at rest around them; {GATE} are needed"
            )
        ]
    x, y, at_s = before[steady], two.value[steady], two.at_s[steady]
    if np.ptp(x) < travel:
        return [check.not_judged(f"{first} moved {np.ptp(x):.0f} points; {travel:.0f} are needed")]
    slope, offset = np.polyfit(x, y, 1)
    residual = np.abs(y - (slope * x + offset))
    value = float(np.percentile(residual, SHARE))
    return [
        check.judged(
            value,
            Evidence(job.data.seconds, int(steady.sum()), float(at_s[0]),
                     float(at_s[int(np.argmax(residual))])),
            because=(
                f"{second} = {slope:.2f} × {first} {round(offset, 1) + 0.0:+.1f}, "
                f"{SHARE} % of the readings within {value:.1f} points"
            ),
            signal=second,
            condition="any",
            extra={"slope": float(slope), "offset": float(offset), "travel": float(np.ptp(x))},
        )
    ]  # fmt: skip


_SUGGESTS = ("connector", "shared reference voltage", "sensor")

THROTTLE = Check(
    name="throttle-tracks",
    title="Throttle tracks agree",
    why="Two sensors on one shaft must move along a straight line.",
    signals=("TP", "TP_B"),
    conditions=("any",),
    measure="distance from the fitted line",
    unit="%",
    source="makers' data on throttle codes; limit our own",
    judge=judge_throttle,
    high=5,
    tiers=(Tier(Severity.ATTENTION, above=5),),
    suggests=_SUGGESTS,
    confounders=("slow polling while the throttle moves",),
)

PEDAL = Check(
    name="pedal-tracks",
    title="Pedal tracks agree",
    why="Two sensors on one shaft move along a straight line; the second often has half the slope.",
    signals=("APP_D", "APP_E"),
    conditions=("any",),
    measure="distance from the fitted line",
    unit="%",
    source="makers' data on pedal codes (one prints 4.5 %); limit our own",
    judge=judge_pedal,
    high=5,
    tiers=(Tier(Severity.ATTENTION, above=5),),
    suggests=_SUGGESTS,
    confounders=("slow polling while the pedal moves",),
)
