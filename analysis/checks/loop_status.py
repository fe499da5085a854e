"""Fuel control in closed loop when warm.

What: the longest time in open loop "not ready yet" (status 1) with a warm engine, and any status
that reports a fault (8, 16).

Why: the status, not the trim, says whether the mixture is being corrected at all.

Limits: at high load a rich mixture for protection (status 4) is normal and is not counted.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.checks.base import Check, Job, Tier, evidence_of, pooled
from analysis.conditions import Flags
from analysis.data import FloatArray
from analysis.findings import Finding, Severity, Verdict

OPEN_COLD, CLOSED, OPEN_FAULT, CLOSED_FAULT = 1, 2, 8, 16


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on the loop status, for each fuel system."""
    if not job.data.has("FUELSYS1"):
        return [check.not_judged(job.missing("FUELSYS1"))]
    # 0: this system is not there, or the engine is off
    present = [signal for signal in check.signals if job.data.samples(signal).value.any()]
    found = []
    for signal in present:
        windows, reason = job.windows(check, signal, "warm-running")
        if not windows:
            found.append(check.not_judged(reason, signal=signal))
            continue
        samples = pooled(windows)
        longest, at_s = 0.0, None
        for window in windows:
            length, when = _longest(window.samples.at_s, window.samples.value == OPEN_COLD)
            if length > longest:
                longest, at_s = length, when
        faults = np.isin(samples.value, (OPEN_FAULT, CLOSED_FAULT))
        closed = float((samples.value == CLOSED).mean() * 100.0)
        text = f"closed loop {closed:.0f} % of the time, open loop for {longest:.0f} s at most"
        finding = check.judged(
            longest,
            evidence_of(windows, at_s),
            because=text,
            signal=signal,
            condition="warm-running",
            extra={"closed_loop_pct": closed, "fault_readings": int(faults.sum())},
        )
        if faults.any():
            finding = replace(
                finding,
                verdict=Verdict.OUTSIDE,
                severity=Severity.ATTENTION,
                evidence=evidence_of(windows, float(samples.at_s[int(np.argmax(faults))])),
                because="the ECU reports a fault in its fuel control (status 8 or 16)",
                suggests=check.suggests,
                confounders=check.confounders,
            )
        found.append(finding)
    return found or [check.not_judged("the fuel system status stayed at 0: off, or not reported")]


def _longest(at_s: FloatArray, flags: Flags) -> tuple[float, float | None]:
    """Return the longest stretch in which all `flags` hold [s], and where it begins [s]."""
    best: tuple[float, float | None] = (0.0, None)
    begin: float | None = None
    for at, flag in zip(at_s.tolist(), flags.tolist(), strict=True):
        if not flag:
            begin = None
            continue
        begin = at if begin is None else begin
        if at - begin > best[0]:
            best = (at - begin, begin)
    return best


CHECK = Check(
    name="loop-status",
    title="Fuel control closes its loop when warm",
    why="The status, not the trim, says whether the mixture is being corrected.",
    signals=("FUELSYS1", "FUELSYS2"),
    conditions=("warm-running",),
    measure="longest open loop with a warm engine",
    unit="s",
    source="SAE J1979, definition of PID 03; time limit our own",
    judge=judge,
    high=180,
    fuel="petrol",
    tiers=(Tier(Severity.WATCH, above=180),),
    suggests=("oxygen sensor or its heater", "coolant temperature reading", "thermostat"),
    confounders=("catalyst heating after the start", "rich protection at high load (status 4)"),
)
