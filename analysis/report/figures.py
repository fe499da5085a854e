"""Which signals a report shows, and their figure as an image inside the page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from analysis.data import SessionData
from analysis.plots import plot_timeline
from analysis.plots.bands import bands_of
from analysis.plots.save import figure_bytes

if TYPE_CHECKING:
    from analysis.findings import Finding

USUAL = ("VSS", "RPM", "ECT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "VPWR")
"""Shown when read, in this order, up to `MOST_PANELS`."""

MOST_PANELS = 7
PANELS_A_PICTURE = 3


@dataclass(frozen=True, slots=True)
class Picture:
    """An image as a data URL, with the words that stand for it."""

    url: str
    caption: str
    text: str


def choose_signals(data: SessionData, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the signals worth a panel: those outside with some weight, then the usual."""
    grave = [f.signal for f in findings if f.verdict == "outside" and f.severity != "info"]
    wanted = [s for s in dict.fromkeys(grave) if s and data.has(s)][: MOST_PANELS - 2]
    for signal in USUAL:
        if len(wanted) < MOST_PANELS and signal not in wanted and data.has(signal):
            wanted.append(signal)
    order = {name: place for place, name in enumerate(USUAL)}
    return tuple(sorted(wanted, key=lambda s: (order.get(s, len(order)), s)))


def drive_pictures(data: SessionData, findings: Sequence[Finding]) -> tuple[Picture, ...]:
    """Return the drive's figures, a few panels each so that paper holds them; none without signals.

    The first carries the caption of all.
    """
    signals = choose_signals(data, findings)
    outside = [f for f in findings if f.verdict == "outside" and f.severity != "info"]
    bands = bands_of(findings)
    marked = "; ".join(dict.fromkeys(f.title for f in outside if f.signal in signals))
    caption = (
        f"Road test {data.path.name}. Shaded: the expected range, where its condition held; a line "
        "hatched on one side: a limit, the hatched side not expected. Full-height slanted "
        "hatching: no data there."
        + (f" Crossed hatching: when something was outside ({marked})." if marked else "")
    )
    span_s = _shared_span(data, signals)
    pictures: list[Picture] = []
    for part in _parts(signals):
        figure = plot_timeline(data, part, findings=outside, bands=bands, span_s=span_s)
        image = base64.b64encode(figure_bytes(figure, "svg")).decode("ascii")
        pictures.append(
            Picture(
                url=f"data:image/svg+xml;base64,{image}",
                caption="" if pictures else caption,
                text="Signals over time: " + ", ".join(part),
            )
        )
    return tuple(pictures)


def _parts(signals: Sequence[str]) -> list[Sequence[str]]:
    """Return `signals` in parts of about equal size, none above `PANELS_A_PICTURE`."""
    count = -(-len(signals) // PANELS_A_PICTURE)
    edges = [len(signals) * n // count for n in range(count + 1)] if count else []
    return [signals[a:b] for a, b in pairwise(edges)]


def _shared_span(data: SessionData, signals: Sequence[str]) -> tuple[float, float] | None:
    """Return the time axis that all pictures share, so that one can be read beside another."""
    ends = [(s.at_s[0], s.at_s[-1]) for s in map(data.samples, signals) if s.count]
    if not ends:
        return None
    start_s, end_s = float(min(a for a, _ in ends)), float(max(b for _, b in ends))
    return (start_s, end_s) if end_s > start_s else None
