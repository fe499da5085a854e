"""Everything a report is made from; `analysis.report.load` fills it from a case folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from analysis.compare import CaseSide, Comparison
from analysis.compare.model import Document
from obdlog.model import Work
from obdlog.modules import Module

if TYPE_CHECKING:
    from analysis.data import SessionData
    from analysis.findings import Finding


@dataclass(frozen=True, slots=True)
class CaseFile:
    """One file of the case, so that a reader can tell whether it is still the same."""

    name: str
    size_bytes: int
    sha256: str
    holds: str = ""


@dataclass(frozen=True, slots=True)
class Equipment:
    """What the readings were taken with; empty text is "not stated"."""

    adapter: str = ""
    protocol: str = ""
    link: str = ""
    software: str = ""
    voltage_v: float | None = None


@dataclass(frozen=True, eq=False)
class CaseMaterial:
    """The material of one report; whatever is None or empty is reported as not known.

    Attributes
    ----------
    generated_at
        When the report is made, with time zone.
    title
        Heading, in the user's words.
    before, after
        Codes, readiness, drive and findings of either side of the work.
    vehicle
        In the shape of the ``vehicle`` contract.
    tests_before, tests_after
        On-board test results: ``{"modules": [{"address", "tests": [...]}]}``.
    vehicle_facts
        What the user stated of the vehicle (``displacement_l``, ``fuel`` …).
    work, notes, operator, place, odometer_km
        What the user stated of the job.
    erased_at
        When codes were erased, as ISO 8601 texts in order; empty when no erase is on record.
    erased_modules
        Addresses of the modules that accepted an erase.
    erases_unanswered
        When an erase was sent whose answer is not known; an empty text where the time is not.
    comparison
        `analysis.compare.compare` of both sides.
    known_modules
        What the case's module map knows.
    searched
        Whether modules beyond the legislated ones were searched for in any session.
    equipment, files
        What was used, and the files behind the report.
    """

    generated_at: datetime
    title: str = "Repair hand-over"
    before: CaseSide = field(default_factory=CaseSide)
    after: CaseSide = field(default_factory=CaseSide)
    vehicle: Document | None = None
    tests_before: Document | None = None
    tests_after: Document | None = None
    vehicle_facts: Document = field(default_factory=dict)
    work: Work = field(default_factory=Work)
    notes: Sequence[str] = ()
    operator: str = ""
    place: str = ""
    odometer_km: float | None = None
    erased_at: Sequence[str] = ()
    erases_unanswered: Sequence[str] = ()
    erased_modules: frozenset[str] = frozenset()
    comparison: Comparison | None = None
    known_modules: Sequence[Module] = ()
    searched: bool = False
    equipment: Equipment = field(default_factory=Equipment)
    files: Sequence[CaseFile] = ()
    warnings: Sequence[str] = ()

    @property
    def drive(self) -> SessionData | None:
        """Return the drive that the report shows: after the work, else before it."""
        return self.after.data if self.after.data is not None else self.before.data

    @property
    def findings(self) -> Sequence[Finding]:
        """Return the findings on that drive."""
        return self.after.findings if self.after.data is not None else self.before.findings

    @property
    def vin(self) -> str:
        """Return the vehicle identification number, read from the car or else stated."""
        for document in (self.vehicle, (self.before.codes or {}).get("vehicle")):
            if document and document.get("vin"):
                return str(document["vin"])
        return str(self.vehicle_facts.get("vin") or "")
