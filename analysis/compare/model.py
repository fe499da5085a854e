"""What a comparison is made from, and what it says; `to_json` gives the contract's object."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.data import SessionData
    from analysis.findings import Finding

Document = Mapping[str, Any]
"""A code, readiness, vehicle or on-board test reading in the shape of its JSON contract."""

Key = tuple[str, str, str | None]
"""A code by module address, code and failure type."""

FORMAT = "obdlog.compare/1"


@dataclass(frozen=True, eq=False)
class CaseSide:
    """What is known of the car at one time; each part may be missing.

    Attributes
    ----------
    codes, readiness
        In the shape of the ``codes`` and ``readiness`` contracts.
    data, findings
        A drive of that time and the findings on it.
    read_after_drive
        True where the order of the case's sessions says that the codes were read after the drive;
        None leaves it to the clock.
    read_late
        Where that order says so: the modules that gave their codes after the drive.
    permanent_read
        Addresses of the modules that gave their permanent codes; None where that is not known.
    seen_earlier
        Codes that an earlier reading of this side showed, by module, code and failure type, each
        with its statuses there; the last reading need not show them any more.
    own_tests
        What modules say of the test of a code: True where it has completed since codes were
        cleared without a failure, False where it has not completed; left out where not told.
    """

    codes: Document | None = None
    readiness: Document | None = None
    data: SessionData | None = None
    findings: Sequence[Finding] = ()
    read_after_drive: bool | None = None
    permanent_read: frozenset[str] | None = None
    seen_earlier: Mapping[Key, frozenset[str]] = field(default_factory=dict)
    own_tests: Mapping[Key, bool] = field(default_factory=dict)
    read_late: frozenset[str] | None = None


class Change(StrEnum):
    """What became of a code; `LAMP_WAITS` is erased and listed only for its lamp."""

    GONE = "gone"
    REMAINING = "remaining"
    NEW = "new"
    LAMP_WAITS = "lamp_waits"
    NOT_READ_AGAIN = "not_read_again"


class Verdict(StrEnum):
    """What the evidence says about one repair item."""

    PROVEN = "proven"
    NOT_PROVEN = "not-proven"
    CONTRADICTED = "contradicted"


@dataclass(frozen=True, slots=True)
class CodeChange:
    """One code of one module before and after; an empty status list means it was not there."""

    change: Change
    address: str
    module: str
    code: str
    failure_type: str | None
    meaning: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    judgement: str
    because: str

    @property
    def key(self) -> Key:
        """Module address, code and failure type."""
        return self.address, self.code, self.failure_type

    def to_json(self) -> dict[str, Any]:
        """Return the object of the compare contract."""
        return {
            "address": self.address,
            "module": self.module,
            "code": self.code,
            "failure_type": self.failure_type,
            "meaning": self.meaning,
            "before": list(self.before),
            "after": list(self.after),
            "judgement": self.judgement,
            "because": self.because,
        }


@dataclass(frozen=True, slots=True)
class Statistics:
    """Of the readings of one signal under one condition."""

    mean: float
    least: float
    most: float
    samples: int

    def to_json(self) -> dict[str, Any]:
        """Return the object of the compare contract."""
        return {
            "mean": self.mean,
            "min": self.least,
            "max": self.most,
            "samples": self.samples,
        }


@dataclass(frozen=True, slots=True)
class SignalChange:
    """One signal under the same condition in both sessions."""

    signal: str
    label: str
    unit: str
    condition: str
    before: Statistics
    after: Statistics

    def to_json(self) -> dict[str, Any]:
        """Return the object of the compare contract."""
        return {
            "signal": self.signal,
            "label": self.label,
            "unit": self.unit,
            "condition": self.condition,
            "before": self.before.to_json(),
            "after": self.after.to_json(),
        }


@dataclass(frozen=True, slots=True)
class Requirement:
    """One thing that must hold; `met` is None where the evidence to tell is missing.

    `contradicts`: when not met, this speaks against the repair and is not merely still open.
    """

    text: str
    met: bool | None
    evidence: str
    contradicts: bool = False

    def to_json(self) -> dict[str, Any]:
        """Return the object of the compare contract."""
        return {"text": self.text, "met": self.met, "evidence": self.evidence}


@dataclass(frozen=True, slots=True)
class ItemVerdict:
    """The verdict on one code or one piece of work, from its requirements.

    `limit` says in a sentence what the verdict does not reach; empty where it needs no such word.
    `key` is the code's, None for work.
    """

    item: str
    kind: str
    requirements: tuple[Requirement, ...]
    limit: str = ""
    key: Key | None = None

    @property
    def verdict(self) -> Verdict:
        """Return *contradicted* if anything speaks against it, *proven* if everything is met."""
        if any(r.met is False and r.contradicts for r in self.requirements):
            return Verdict.CONTRADICTED
        if self.requirements and all(r.met is True for r in self.requirements):
            return Verdict.PROVEN
        return Verdict.NOT_PROVEN

    @property
    def missing(self) -> tuple[str, ...]:
        """Return the requirements that are not met or not known."""
        return tuple(r.text for r in self.requirements if r.met is not True)

    def to_json(self) -> dict[str, Any]:
        """Return the object of the compare contract."""
        return {
            "item": self.item,
            "kind": self.kind,
            "verdict": str(self.verdict),
            "limit": self.limit,
            "requirements": [r.to_json() for r in self.requirements],
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that a comparison says."""

    codes: tuple[CodeChange, ...]
    signals: tuple[SignalChange, ...]
    repair: tuple[ItemVerdict, ...]

    def of(self, change: Change) -> tuple[CodeChange, ...]:
        """Return the codes with that change."""
        return tuple(c for c in self.codes if c.change is change)

    def to_json(self) -> dict[str, Any]:
        """Return the object of the compare contract."""
        return {
            "format": FORMAT,
            **{str(c): [code.to_json() for code in self.of(c)] for c in Change},
            "signals": [s.to_json() for s in self.signals],
            "repair": [item.to_json() for item in self.repair],
        }
