"""What a check found: verdict, measure, expected range and evidence, in the shape of the JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

from obdlog.units import UNITS, shown

Measure = float | int | str | bool | None

COUNTS = frozenset({"count", "counts", "switches"})
"""Units of a number of things, of which there can be none."""


def with_unit(text: str, unit: str) -> str:
    """Return a number's text with its unit as shown."""
    name = shown(unit) if unit in UNITS else unit
    return f"{text}{'' if not name or name == '°' else ' '}{name}"


class Verdict(StrEnum):
    """Whether the measure lies in the expected range, outside, or could not be judged."""

    INSIDE = "inside"
    OUTSIDE = "outside"
    NOT_JUDGED = "not-judged"


class Severity(StrEnum):
    """How much a reading outside matters; a finding that is not outside is ``info``."""

    INFO = "info"
    WATCH = "watch"
    ATTENTION = "attention"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Expected:
    """The range that a measure is compared with; None where it has no end on that side."""

    low: float | None = None
    high: float | None = None
    unit: str = ""
    source: str = ""

    def text(self) -> str:
        """Return the range in words; empty where it has no end."""
        if self.low is None and self.high is None:
            return ""
        if self.high is None:
            return f"{self._limit(self.low)} or more"
        if self.low is not None:
            return f"{self.low:.6g} to {self._limit(self.high)}"
        if self.high == 0 and self.unit in COUNTS:
            return "none"
        return f"{self._limit(self.high)} or less"

    def _limit(self, value: float | None) -> str:
        return with_unit(f"{value:.6g}", self.unit)


@dataclass(frozen=True, slots=True)
class Evidence:
    """How much was looked at, and where.

    Attributes
    ----------
    seconds, samples
        Time in which the check's conditions held [s], and readings judged in it.
    first_s
        When that begins [s of the session]; None when nothing was judged.
    worst_s
        When the measure was farthest out, or nearest to its limit [s]; None when not one moment.
    windows
        Begin and end of each stretch in which the condition held [s], in order; empty when the
        check looks at the whole session.
    """

    seconds: float = 0.0
    samples: int = 0
    first_s: float | None = None
    worst_s: float | None = None
    windows: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """The outcome of one check on one session.

    A finding names what was measured and what a value outside suggests, in order of likelihood;
    it never says that a part has failed.

    Attributes
    ----------
    check
        Stable identifier, listed in ``docs/checks.md``.
    signal
        The signal judged; empty when the check looks at several.
    measured
        What was computed, always with ``value`` and ``unit`` when judged.
    because
        One sentence: what was compared, or why nothing could be.
    confounders
        What else moves the measure.
    condition
        Name of the driving condition in which it was measured.
    """

    check: str
    title: str
    verdict: Verdict
    severity: Severity
    signal: str
    measured: dict[str, Measure] = field(default_factory=dict)
    expected: Expected = field(default_factory=Expected)
    evidence: Evidence = field(default_factory=Evidence)
    suggests: tuple[str, ...] = ()
    because: str = ""
    confounders: tuple[str, ...] = ()
    condition: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the finding as plain JSON values; numbers rounded to six digits."""
        return {name: _plain(value) for name, value in asdict(self).items()}


FORMAT = "obdlog.check/1"


def findings_json(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return the document that ``check --json`` prints."""
    return {"format": FORMAT, "findings": [finding.as_json() for finding in findings]}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value
