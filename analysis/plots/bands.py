"""Expected bands for a figure, from findings."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from analysis.condition_table import condition_title
from analysis.data import unit_of
from analysis.plots.panel import Band
from obdlog.errors import TableError

if TYPE_CHECKING:
    from analysis.findings import Finding


OWN_VALUE = frozenset({"mean", "median", "min", "max"})
"""Statistics that stand on the signal's own axis; a spread or a count does not."""


MOST_BANDS = 2
"""More ranges than this in one panel cannot be told apart."""


def bands_of(findings: Iterable[Finding]) -> dict[str, list[Band]]:
    """Return the expected ranges of each signal whose own value was judged, two at most.

    The range of a ratio, a spread or a number of events is no band of the signal's panel. Each
    band names the driving condition in which it was judged, and covers only the time in which that
    held. A range that was left counts first, then one with two ends, then one of a condition.
    """
    bands: dict[str, list[Band]] = {}
    for finding in sorted(findings, key=_rank):
        expected = finding.expected
        if finding.verdict == "not-judged" or not finding.signal:
            continue
        if (expected.low is None and expected.high is None) or not _same_unit(finding):
            continue
        found = bands.setdefault(finding.signal, [])
        if len(found) < MOST_BANDS:
            when, windows = _when(finding.condition), finding.evidence.windows
            found.append(
                Band(expected.low, expected.high, expected.source, when, windows if when else ())
            )
    return bands


def _rank(finding: Finding) -> tuple[bool, bool, bool]:
    expected = finding.expected
    is_open = expected.low is None or expected.high is None
    return finding.verdict != "outside", is_open, not _when(finding.condition)


def _when(name: str) -> str:
    return "" if name == "any" else condition_title(name)


def _same_unit(finding: Finding) -> bool:
    if finding.measured.get("statistic") not in OWN_VALUE:
        return False
    try:
        return finding.expected.unit == unit_of(finding.signal)
    except TableError:
        return False
