"""What every check shares: its facts, the gate of evidence, and how a measure becomes a finding."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from analysis.conditions import Coverage, Segment, cover
from analysis.data import NO_SAMPLES, Samples, SessionData
from analysis.facts import VehicleFacts
from analysis.findings import (
    Evidence,
    Expected,
    Finding,
    Measure,
    Severity,
    Verdict,
    with_unit,
)
from obdlog.units import rounded

Judge = Callable[["Check", "Job"], list[Finding]]


@dataclass(frozen=True, slots=True)
class Tier:
    """A severity for measures beyond a limit; the last tier that applies counts."""

    severity: Severity
    below: float = -math.inf
    above: float = math.inf

    def applies(self, value: float) -> bool:
        """Return whether `value` is beyond the limit."""
        return value < self.below or value > self.above


@dataclass(frozen=True, slots=True)
class Check:
    """One check: what it looks at, what it expects and from where, and what outside suggests.

    Attributes
    ----------
    name
        Stable identifier.
    why
        What the check is for, one or two sentences.
    signals
        What it reads; alternatives or all of them, as `why` or the code says.
    conditions
        Names of the driving conditions in which it judges.
    low, high, unit
        Expected range of the measure; infinite where it has no end.
    measure
        What the measure is, in words.
    source
        Where the range comes from.
    tiers
        Severity of measures beyond further limits; outside without a tier is ``info``.
    fuel
        Fuel to which the check is limited; empty for any.
    min_samples
        Gate of evidence, where it differs from the condition's; `gate_reason` says why.
    """

    name: str
    title: str
    why: str
    signals: tuple[str, ...]
    conditions: tuple[str, ...]
    measure: str
    unit: str
    source: str
    judge: Judge = field(repr=False, compare=False)
    low: float = -math.inf
    high: float = math.inf
    tiers: tuple[Tier, ...] = ()
    fuel: str = ""
    suggests: tuple[str, ...] = ()
    confounders: tuple[str, ...] = ()
    min_samples: int | None = None
    gate_reason: str = ""

    def run(self, job: Job) -> list[Finding]:
        """Return the findings of this check, at least one."""
        if self.fuel and job.facts.fuel != self.fuel:
            return [self.not_judged(_other_fuel(self.fuel, job.facts))]
        return self.judge(self, job)

    def expecting(self, low: float, high: float, source: str) -> Check:
        """Return this check with the user's own range; outside it is at least ``watch``."""
        tiers = (Tier(Severity.WATCH, below=low, above=high),)
        return replace(self, low=low, high=high, source=source, tiers=tiers)

    @property
    def expected(self) -> Expected:
        """Return the expected range in the shape of the JSON."""
        return Expected(_finite(self.low), _finite(self.high), self.unit, self.source)

    def not_judged(self, because: str, *, signal: str = "", condition: str = "") -> Finding:
        """Return a finding that says why nothing was judged."""
        return Finding(
            check=self.name,
            title=self.title,
            verdict=Verdict.NOT_JUDGED,
            severity=Severity.INFO,
            signal=signal or (self.signals[0] if len(self.signals) == 1 else ""),
            expected=self.expected,
            because=because,
            condition=condition,
        )

    def judged(
        self,
        value: float,
        evidence: Evidence,
        *,
        because: str,
        signal: str = "",
        condition: str = "",
        extra: dict[str, Measure] | None = None,
    ) -> Finding:
        """Return the finding for a measure: its verdict from the range, severity from the tiers."""
        outside = not self.low <= value <= self.high
        severity = Severity.INFO
        for tier in self.tiers:
            if outside and tier.applies(value):
                severity = tier.severity
        return Finding(
            check=self.name,
            title=self.title,
            verdict=Verdict.OUTSIDE if outside else Verdict.INSIDE,
            severity=severity,
            signal=signal or (self.signals[0] if self.signals else ""),
            measured={"value": value, "unit": self.unit, "what": self.measure, **(extra or {})},
            expected=self.expected,
            evidence=evidence,
            suggests=self.suggests if outside else (),
            because=f"{because}; expected {self.range_text()}",
            confounders=self.confounders if outside else (),
            condition=condition,
        )

    def range_text(self) -> str:
        """Return the expected range in words."""
        return self.expected.text()

    def text_of(self, value: float) -> str:
        """Return a measure with its unit, for a sentence."""
        return with_unit(rounded(value, self.unit, limits=(self.low, self.high)), self.unit)


class Window(NamedTuple):
    """One stretch of a condition with the samples of the signal that is judged."""

    segment: Segment
    samples: Samples


@dataclass(slots=True)
class Job:
    """One run over one session: data, facts, and the conditions that were already looked for."""

    data: SessionData
    facts: VehicleFacts
    _covers: dict[tuple[str, frozenset[str]], Coverage] = field(default_factory=dict)

    def cover(self, condition: str, without: Collection[str] = ()) -> Coverage:
        """Return where the session meets `condition`; see `analysis.conditions.cover`."""
        key = (condition, frozenset(without))
        if key not in self._covers:
            self._covers[key] = cover(self.data, condition, self.facts, without=without)
        return self._covers[key]

    def missing(self, *signals: str) -> str:
        """Return a sentence that names those of `signals` that were not read, or nothing."""
        absent = [signal for signal in signals if not self.data.has(signal)]
        verb = "was" if len(absent) == 1 else "were"
        return f"needs {' and '.join(absent)}, which {verb} not read" if absent else ""

    def windows(
        self, check: Check, signal: str, condition: str, without: Collection[str] = ()
    ) -> tuple[list[Window], str]:
        """Return the windows of `condition` with enough samples of `signal`, or why none."""
        coverage = self.cover(condition, without)
        if not coverage.segments:
            return [], coverage.reason
        gate = check.min_samples or coverage.condition.min_samples
        samples = self.data.samples(signal)
        found = [Window(s, samples.between(s.start_s, s.end_s)) for s in coverage.segments]
        enough = [window for window in found if window.samples.count >= gate]
        if not enough:
            most = max(window.samples.count for window in found)
            return [], (
                f"{coverage.condition.title} held for {coverage.seconds:.0f} s, with at most "
                f"{most} readings of {signal} at a stretch; {gate} are needed"
            )
        return enough, ""


def evidence_of(windows: list[Window], worst_s: float | None = None) -> Evidence:
    """Return what `windows` amount to."""
    return Evidence(
        seconds=sum(window.segment.seconds for window in windows),
        samples=sum(window.samples.count for window in windows),
        first_s=min(window.segment.start_s for window in windows),
        worst_s=worst_s,
        windows=tuple((window.segment.start_s, window.segment.end_s) for window in windows),
    )


def pooled(windows: list[Window]) -> Samples:
    """Return the samples of all `windows` behind one another."""
    if not windows:
        return NO_SAMPLES
    return Samples(
        np.concatenate([window.samples.at_s for window in windows]),
        np.concatenate([window.samples.value for window in windows]),
    )


def _other_fuel(wanted: str, facts: VehicleFacts) -> str:
    if not facts.fuel:
        return f"applies to {wanted} engines only; the fuel is not known: state it to judge this"
    return f"applies to {wanted} engines only; this fuel is {facts.fuel} ({facts.fuel_source})"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
