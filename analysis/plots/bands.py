"""Expected bands for a figure, from findings."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from analysis.data import unit_of
from analysis.plots.panel import Band
from obdlog.errors import TableError

if TYPE_CHECKING:
    from analysis.findings import Finding


def bands_of(findings: Iterable[Finding]) -> dict[str, Band]:
    """Return the expected range of each signal whose own value was judged.

    A range in another unit than the signal's (a ratio, a spread per litre) is no band of its
    panel. Of several ranges for one signal, one that was left counts before one that was kept.
    """
    bands: dict[str, Band] = {}
    ranked = sorted(findings, key=lambda f: f.verdict != "outside")
    for finding in ranked:
        expected = finding.expected
        if finding.verdict == "not-judged" or not finding.signal or finding.signal in bands:
            continue
        if (expected.low is None and expected.high is None) or not _same_unit(finding):
            continue
        bands[finding.signal] = Band(expected.low, expected.high, expected.source)
    return bands


def _same_unit(finding: Finding) -> bool:
    try:
        return finding.expected.unit == unit_of(finding.signal)
    except TableError:
        return False
