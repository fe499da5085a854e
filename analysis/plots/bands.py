"""Expected bands for a figure, from findings."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from analysis.condition_table import condition
from analysis.data import unit_of
from analysis.plots.panel import Band
from obdlog.errors import TableError

if TYPE_CHECKING:
    from analysis.findings import Finding


OWN_VALUE = frozenset({"mean", "median", "min", "max"})
"""Statistics that stand on the signal's own axis; a spread or a count does not."""


def bands_of(findings: Iterable[Finding]) -> dict[str, Band]:
    """Return the expected range of each signal whose own value was judged.

    The range of a ratio, a spread or a number of events is no band of the signal's panel. Of
    several ranges for one signal, one that was left counts before one that was kept. Each band
    names the driving condition in which it was judged.
    """
    bands: dict[str, Band] = {}
    ranked = sorted(findings, key=lambda f: f.verdict != "outside")
    for finding in ranked:
        expected = finding.expected
        if finding.verdict == "not-judged" or not finding.signal or finding.signal in bands:
            continue
        if (expected.low is None and expected.high is None) or not _same_unit(finding):
            continue
        bands[finding.signal] = Band(
            expected.low, expected.high, expected.source, _when(finding.condition)
        )
    return bands


def _when(name: str) -> str:
    if name in ("", "any"):
        return ""
    try:
        return condition(name).title
    except TableError:
        return name


def _same_unit(finding: Finding) -> bool:
    if finding.measured.get("statistic") not in OWN_VALUE:
        return False
    try:
        return finding.expected.unit == unit_of(finding.signal)
    except TableError:
        return False
