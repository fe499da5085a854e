"""Before against after: codes, readings, and what the evidence says about the repair."""

from __future__ import annotations

from analysis.compare.codes import compare_codes
from analysis.compare.drive import DriveSummary, summarise_drive
from analysis.compare.model import (
    CaseSide,
    CodeChange,
    Comparison,
    ItemVerdict,
    Requirement,
    SignalChange,
    Verdict,
)
from analysis.compare.repair import judge_repair
from analysis.compare.signals import compare_signals
from obdlog.model import Work

__all__ = [
    "CaseSide",
    "CodeChange",
    "Comparison",
    "DriveSummary",
    "ItemVerdict",
    "Requirement",
    "SignalChange",
    "Verdict",
    "compare",
    "summarise_drive",
]


def compare(
    before: CaseSide,
    after: CaseSide,
    work: Work | None = None,
    *,
    erased: bool = False,
    erased_modules: frozenset[str] | None = None,
) -> Comparison:
    """Return what changed from `before` to `after`, and a verdict for each code and work item.

    Parameters
    ----------
    before, after
        What is known of either side; whatever is missing stays "not known" in the result.
    work
        What was unplugged and replaced.
    erased
        An erase between both sides is on record; False leaves the question to the car's counters.
    erased_modules
        Addresses of the modules that accepted it; None where that is not known.
    """
    work = work or Work()
    return Comparison(
        codes=compare_codes(before.codes, after.codes),
        signals=compare_signals(before.data, after.data),
        repair=judge_repair(before, after, work, erased=erased, erased_modules=erased_modules),
    )
