"""Which signals a report shows, and their figure as an image inside the page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
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


def drive_picture(data: SessionData, findings: Sequence[Finding]) -> Picture | None:
    """Return the drive's figure, or None when it has no signal to show."""
    signals = choose_signals(data, findings)
    if not signals:
        return None
    outside = [f for f in findings if f.verdict == "outside" and f.severity != "info"]
    figure = plot_timeline(data, signals, findings=outside, bands=bands_of(findings))
    image = base64.b64encode(figure_bytes(figure, "svg")).decode("ascii")
    marked = "; ".join(dict.fromkeys(f.title for f in outside if f.signal in signals))
    return Picture(
        url=f"data:image/svg+xml;base64,{image}",
        caption=(
            f"Road test {data.path.name}. Shaded: the expected range, where its condition held; "
            "a line hatched on one side: a limit, the hatched side not expected. Full-height "
            "slanted hatching: no data there. "
            + (f"Crossed hatching: when something was outside ({marked})." if marked else "")
        ).strip(),
        text="Signals over time: " + ", ".join(signals),
    )
