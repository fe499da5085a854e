"""Total fuel trim of each bank, and the difference of the banks.

What: mean short-term plus mean long-term trim, at warm idle, held at 2,500 rpm, and on a cruise.

Why: the trim is what the ECU adds or takes away to reach its target. Its size and where it appears
(idle or load, one bank or both) tell air leaks, fuel delivery and the air meter apart.

Limits: codes usually come near ±25 %. Soon after the memory was cleared the long-term part has not
been learned; ethanol fuel, purging and altitude shift it.
"""

from __future__ import annotations

import numpy as np

from analysis.checks.base import Check, Job, Tier, Window, evidence_of
from analysis.condition_table import condition
from analysis.findings import Finding, Severity

CONDITIONS = ("warm-idle", "warm-2500", "cruise")
SLOW_GATE = 3
"""Readings of the long-term trim wanted beside 20 of the short-term one; it moves slowly."""
LEARNED_WARM_UPS = 3


def judge_total(check: Check, job: Job) -> list[Finding]:
    """Return one finding for each bank and condition."""
    found: list[Finding] = []
    reasons: dict[str, None] = {}
    for bank in (1, 2):
        if bank == 2 and not job.data.has("SHRTFT2"):
            continue
        for name in CONDITIONS:
            total = _total(check, job, bank, name)
            if isinstance(total, str):
                reasons[total] = None
                continue
            value, windows, parts = total
            short, long = parts
            where = condition(name).title
            found.append(
                check.judged(
                    value,
                    evidence_of(windows),
                    because=(
                        f"bank {bank}, {where}: short-term {short:+.1f} % and long-term "
                        f"{long:+.1f} % make {value:+.1f} %{_fresh(job)}"
                    ),
                    signal=f"LONGFT{bank}",
                    condition=name,
                    extra={"bank": bank, "short_term": short, "long_term": long},
                )
            )
    return found or [check.not_judged("; ".join(reasons), signal="LONGFT1")]


def judge_difference(check: Check, job: Job) -> list[Finding]:
    """Return one finding for each condition in which both banks were read."""
    reason = job.missing("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2")
    if reason:
        return [check.not_judged(reason)]
    found: list[Finding] = []
    reasons: dict[str, None] = {}
    for name in CONDITIONS[:2]:
        one, two = (_total(check, job, bank, name) for bank in (1, 2))
        if isinstance(one, str) or isinstance(two, str):
            reasons[one if isinstance(one, str) else str(two)] = None
            continue
        found.append(
            check.judged(
                abs(one[0] - two[0]),
                evidence_of(one[1]),
                because=f"bank 1 {one[0]:+.1f} %, bank 2 {two[0]:+.1f} %",
                signal="LONGFT1" if abs(one[0]) >= abs(two[0]) else "LONGFT2",
                condition=name,
            )
        )
    return found or [check.not_judged("; ".join(reasons))]


def _total(
    check: Check, job: Job, bank: int, name: str
) -> tuple[float, list[Window], tuple[float, float]] | str:
    """Return total trim [%], its windows and its two parts; or why there is none."""
    short, long = f"SHRTFT{bank}", f"LONGFT{bank}"
    reason = job.missing(short, long)
    if reason:
        return reason
    windows, reason = job.windows(check, short, name)
    if not windows:
        return reason
    slow = job.data.samples(long)
    parts = [slow.between(w.segment.start_s, w.segment.end_s).value for w in windows]
    values = np.concatenate(parts)
    if values.size < SLOW_GATE:
        return f"{values.size} readings of {long} in {name}; {SLOW_GATE} are needed"
    fast = float(np.concatenate([w.samples.value for w in windows]).mean())
    return fast + float(values.mean()), windows, (fast, float(values.mean()))


def _fresh(job: Job) -> str:
    warm_ups = job.data.samples("WARM_UPS")
    if warm_ups.count and warm_ups.value[-1] < LEARNED_WARM_UPS:
        return f" (only {warm_ups.value[-1]:.0f} warm-ups since clearing: not learned yet)"
    return ""


TOTAL = Check(
    name="fuel-trim-total",
    title="Total fuel trim",
    why="What the ECU adds to or takes from the fuel to reach its target mixture.",
    signals=("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2"),
    conditions=CONDITIONS,
    measure="mean short-term plus mean long-term trim",
    unit="%",
    source="makers' data (short ±20 %, long ±15 %) and trade literature; ±10 % as a screen",
    judge=judge_total,
    low=-10,
    high=10,
    fuel="petrol",
    tiers=(
        Tier(Severity.WATCH, below=-10, above=10),
        Tier(Severity.ATTENTION, below=-15, above=15),
    ),
    suggests=(
        "positive at idle only: unmetered air",
        "positive under load only: fuel delivery, or the air meter under-reads",
        "positive everywhere: air meter, fuel pressure, exhaust leak before the sensor",
        "negative at idle only: purge valve, leaking injector, fuel in the oil",
        "negative everywhere: air meter over-reads, fuel pressure too high",
    ),
    confounders=("ethanol fuel", "purging", "altitude", "memory cleared recently"),
)

DIFFERENCE = Check(
    name="fuel-trim-banks",
    title="Both banks trimmed alike",
    why="What touches one bank only is on that bank: a gasket, an injector, a sensor, its exhaust.",
    signals=("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2"),
    conditions=CONDITIONS[:2],
    measure="difference of the banks' total trims",
    unit="%",
    source="common practice, no source",
    judge=judge_difference,
    high=7,
    fuel="petrol",
    tiers=(Tier(Severity.WATCH, above=7),),
    suggests=(
        "air leak on one bank",
        "injector of one bank",
        "oxygen sensor",
        "exhaust leak on one bank",
    ),
    confounders=("cam timing that differs between the banks",),
)
