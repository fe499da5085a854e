"""What is drawn into one panel of a timeline: lines, gaps, bands, evidence, marks, headings."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from analysis.data import FloatArray, label_of, unit_of
from analysis.plots import look
from analysis.plots.axes import duration_text, time_axis_label, time_step_s, time_text
from analysis.plots.series import Series, Span, broken_line, shared_spans
from obdlog import units
from obdlog.errors import TableError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analysis.findings import Finding

FEW_READINGS = 150
"""Up to this many readings each one gets a dot, so that slow polling is seen as such."""

MOST_MARKS = 12
"""Marks beyond this many are drawn without their text, which would not be readable."""


class Band(NamedTuple):
    """An expected range in the signal's unit, None where it is open, and who says so.

    `when` names the driving condition to which it applies; empty means always. `windows` are the
    stretches in which that held [s]; empty means the whole session.
    """

    low: float | None
    high: float | None
    source: str
    when: str = ""
    windows: tuple[Span, ...] = ()

    def text(self, unit: str) -> str:
        """Return the range with its condition and its source, in full."""
        if self.low is not None and self.high is not None:
            words = f"{self.low:g} to {self.high:g}"
        else:
            words = f"at least {self.low:g}" if self.high is None else f"at most {self.high:g}"
        when = f" ({self.when})" if self.when else ""
        parts = [f"expected {words} {unit}".rstrip() + when, flat(self.source)]
        return " · ".join(filter(None, parts))


Bands = Mapping[str, Sequence[Band]]


def panel_label(signal: str) -> str:
    """Return a signal's readable name with its own name, as panels are headed."""
    label = label_of(signal)
    return label if label == signal else f"{label} ({signal})"


def panel_unit(signal: str) -> str:
    """Return the unit as shown to people; empty for a bare number or an unknown signal."""
    try:
        return units.shown(unit_of(signal))
    except TableError:
        return ""


def draw_lines(panel: Axes, every: Sequence[Series]) -> None:
    """Draw the panel's lines, broken at gaps, and set its value axis."""
    from matplotlib.ticker import MaxNLocator

    for number, series in enumerate(every):
        colour, dashes = look.LINES[number % len(look.LINES)]
        few = series.at_s.size <= FEW_READINGS
        at_s, value = broken_line(series)
        panel.plot(
            at_s,
            value,
            color=colour,
            linestyle=dashes,
            zorder=3,
            label=label_of(series.signal),
            marker="o" if few else None,
            markersize=2.6,
        )
        if not few:
            _draw_lone_readings(panel, at_s, value, colour)
    panel.set_ylabel(panel_unit(every[0].signal))
    panel.yaxis.set_major_locator(MaxNLocator(nbins=5, min_n_ticks=3))
    panel.margins(y=0.08)


def draw_heading(panel: Axes, every: Sequence[Series], bands: Bands) -> None:
    """Write signal, rate of reading and, where there is one, the legend above the panel."""
    first = every[0].signal
    pad = 4 + legend_in(every, bands) * 72
    heading = panel_label(first) if len(every) == 1 else ", ".join(s.signal for s in every)
    panel.set_title(heading, loc="left", fontweight="bold", pad=pad)
    slowest_s = max((s.interval_s for s in every if np.isfinite(s.interval_s)), default=None)
    if slowest_s is not None:
        rate = f"{slowest_s:.2f} s" if slowest_s < 1 else duration_text(slowest_s)
        panel.set_title(
            f"one reading every {rate}", loc="right", fontsize=8, color=look.FAINT, pad=pad
        )
    if legend_in(every, bands):
        handles, labels = panel.get_legend_handles_labels()
        skip = 1 if len(every) == 1 else 0
        panel.legend(
            handles[skip:],
            labels[skip:],
            loc="lower left",
            bbox_to_anchor=(0, 1.0),
            ncols=_legend_columns(every, bands),
            handlelength=2.6,
            borderaxespad=0,
            borderpad=0.15,
            labelspacing=0.25,
            columnspacing=1.4,
        )


def _legend_columns(every: Sequence[Series], bands: Bands) -> int:
    return 1 if _bands_in(every, bands) else 3


def _bands_in(every: Sequence[Series], bands: Bands) -> list[tuple[Band, str]]:
    """Return the bands of a panel, each with the unit that is shown."""
    return [(band, panel_unit(s.signal)) for s in every for band in bands.get(s.signal, ())]


def legend_in(every: Sequence[Series], bands: Bands) -> float:
    """Return the height of a panel's legend [in]: of several lines, of bands, or 0 for none."""
    found = _bands_in(every, bands)
    names = len(every) if len(every) > 1 else 0
    if not names and not found:
        return 0.0
    lines = -(-names // _legend_columns(every, bands))
    lines += sum(len(wrapped(band.text(unit)).splitlines()) for band, unit in found)
    return look.LEGEND_IN + (lines - 1) * look.LEGEND_LINE_IN


def _draw_lone_readings(panel: Axes, at_s: FloatArray, value: FloatArray, colour: str) -> None:
    # A reading between two gaps makes no line; a dot keeps it visible.
    known = np.isfinite(value)
    before = np.concatenate(([False], known[:-1]))
    after = np.concatenate((known[1:], [False]))
    lone = known & ~before & ~after
    if lone.any():
        panel.plot(
            at_s[lone],
            value[lone],
            linestyle="none",
            marker="o",
            markersize=3,
            color=colour,
            label="_lone",
            zorder=3,
        )


def draw_bands(panel: Axes, every: Sequence[Series], bands: Bands, width_in: float) -> None:
    """Draw the expected ranges of a panel where they apply; the legend names each."""
    found = _bands_in(every, bands)
    # A range must not squeeze the readings: an open or far side ends at the panel's edge.
    bottom, top = panel.get_ylim()
    reach = top - bottom
    for band, _ in found:
        if band.low is not None:
            bottom = min(bottom, max(band.low, bottom - reach) - 0.06 * reach)
        if band.high is not None:
            top = max(top, min(band.high, top + reach) + 0.06 * reach)
    panel.set_ylim(bottom, top)
    for band, unit in found:
        _draw_band(panel, band, wrapped(band.text(unit)), width_in)


def _draw_band(panel: Axes, band: Band, label: str, width_in: float) -> None:
    left, right = panel.get_xlim()
    bottom, top = panel.get_ylim()
    # A stretch of one instant still has to be seen.
    least_s = 0.03 * (right - left) / (width_in - look.LEFT_IN - look.RIGHT_IN)
    spans = [(max(a, left), min(b, right)) for a, b in band.windows or ((left, right),)]
    bars = [(a, max(b - a, least_s)) for a, b in spans if b >= a]
    edges = [edge for edge in (band.low, band.high) if edge is not None and bottom < edge < top]
    style: dict[str, Any] = {
        "linewidth": 0,
        "label": label if edges else f"{label} · beyond this panel",
    }
    if band.low is not None and band.high is not None:
        style |= {"facecolor": look.BAND_FILL, "zorder": 0.5}
        panel.broken_barh(bars, (band.low, band.high - band.low), **style)
    else:
        # An open range would fill the panel: only the wrong side of its limit is marked.
        limit, side = (band.low, -1) if band.high is None else (band.high, 1)
        style |= {"facecolor": "none", "edgecolor": look.BAND_EDGE, "hatch": look.WRONG_SIDE_HATCH}
        strip = side * 0.05 * (top - bottom)
        panel.broken_barh(bars, (limit or 0.0, strip), zorder=0.6, **style)
    starts, ends = [start for start, _ in bars], [start + length for start, length in bars]
    for edge in edges:
        heights = [edge] * len(bars)
        panel.hlines(heights, starts, ends, color=look.BAND_EDGE, linewidth=0.9, zorder=0.7)


def draw_gaps(
    panel: Axes, every: Sequence[Series], span: tuple[float, float], width_in: float
) -> None:
    """Hatch and label the stretches in which no line of the panel has readings."""
    per_inch_s = (span[1] - span[0]) / (width_in - look.LEFT_IN - look.RIGHT_IN)
    for start, end in shared_spans([series.within(*span) for series in every]):
        panel.axvspan(
            start,
            end,
            facecolor=look.GAP_FILL,
            edgecolor=look.GAP_EDGE,
            linewidth=0,
            hatch=look.GAP_HATCH,
            zorder=1,
        )
        text = f"no data {duration_text(end - start)}"
        wide_in = (end - start) / per_inch_s
        if wide_in >= 0.16:
            panel.text(
                (start + end) / 2,
                0.5,
                text,
                transform=panel.get_xaxis_transform(),
                rotation=0 if wide_in >= 0.95 else 90,
                ha="center",
                va="center",
                fontsize=7.5,
                color=look.INK,
                zorder=4,
                clip_on=True,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2, "alpha": 0.9},
            )


def draw_findings(
    panel: Axes,
    every: Sequence[Series],
    findings: Sequence[Finding],
    span_s: float,
    width_in: float,
) -> None:
    """Hatch and label the evidence windows of findings outside on the panel's signals."""
    names = {series.signal for series in every}
    per_inch_s = span_s / (width_in - look.LEFT_IN - look.RIGHT_IN)
    left_s, right_s = panel.get_xlim()
    outside = [f for f in findings if f.signal in names and f.verdict == "outside"]
    # A window of one instant still has to be seen.
    drawn = [
        (finding, shown)
        for finding in outside
        if (
            shown := [
                (start, max(end, start + 0.04 * per_inch_s))
                for start, end in _windows(finding)
                if end >= left_s and start <= right_s
            ]
        )
    ]
    if drawn:
        # Room for the words below the readings.
        bottom, top = panel.get_ylim()
        panel.set_ylim(bottom - 0.17 * min(len(drawn), 3) * (top - bottom), top)
    edge = look.OUTSIDE_EDGE
    for row, (finding, windows) in enumerate(drawn):
        base = 0.03 + 0.17 * (row % 5)
        for start, end in windows:
            panel.axvspan(
                start,
                end,
                base,
                base + 0.12,
                facecolor="none",
                edgecolor=edge,
                linewidth=0.8,
                alpha=0.6,
                hatch=look.OUTSIDE_HATCH,
                zorder=2,
            )
        start, end = windows[0]
        at_right = start > left_s + 0.6 * (right_s - left_s)
        panel.text(
            min(end, right_s) if at_right else max(start, left_s),
            base + 0.06,
            f" {finding.verdict}: {short(finding.title, 70)} ",
            transform=panel.get_xaxis_transform(),
            fontsize=7.5,
            ha="right" if at_right else "left",
            va="center",
            zorder=5,
            clip_on=True,
            bbox={"facecolor": "white", "edgecolor": edge, "linewidth": 0.8, "pad": 1.0},
        )


def _windows(finding: Finding) -> tuple[Span, ...]:
    """Return the stretches of a finding's evidence [s], none when it names no moment."""
    evidence = finding.evidence
    if evidence.windows:
        return evidence.windows
    first, worst = evidence.first_s, evidence.worst_s
    moments = [m for m in (first, worst) if m is not None]
    if not moments:
        return ()
    start = min(moments)
    length = evidence.seconds or 0.0
    return ((start, max(start + length if first is not None else start, *moments)),)


def mark_rows(at_s: Sequence[float], start_s: float, end_s: float, width_in: float) -> list[int]:
    """Return the text row of each mark, so that neighbours do not print over each other."""
    if len(at_s) > MOST_MARKS:
        return [0] * len(at_s)
    rows: list[int] = []
    free_from: list[float] = []
    need_s = (end_s - start_s) * 2.1 / width_in
    for moment in at_s:
        row = next((i for i, free in enumerate(free_from) if moment >= free), len(free_from))
        if row == len(free_from):
            free_from.append(0.0)
        free_from[row] = moment + need_s
        rows.append(row)
    return rows


def draw_marks(
    axes: Sequence[Axes],
    marks: Sequence[tuple[float, str]],
    rows: Sequence[int],
    head_in: float,
) -> None:
    """Draw the user's marks through all panels, their words above the first."""
    if not marks:
        return
    for panel in axes:
        # All marks of a panel are one artist: a log may hold thousands.
        panel.vlines(
            [at_s for at_s, _ in marks],
            0,
            1,
            transform=panel.get_xaxis_transform(),
            color=look.INK,
            linewidth=0.9,
            linestyle=(0, (1.5, 2)),
            zorder=2.5,
        )
    for number, ((at_s, text), row) in enumerate(zip(marks, rows, strict=True), start=1):
        shown = str(number) if len(marks) > MOST_MARKS else short(text)
        right_s = axes[0].get_xlim()[1]
        left_s = axes[0].get_xlim()[0]
        late = at_s > left_s + 0.8 * (right_s - left_s)
        axes[0].annotate(
            f"▾ {shown}" if not late else f"{shown} ▾",
            (at_s, 1.0),
            xycoords=axes[0].get_xaxis_transform(),
            xytext=(4 if late else -3, 72 * (head_in + look.MARK_IN * row) + 1),
            textcoords="offset points",
            fontsize=8,
            ha="right" if late else "left",
            va="bottom",
            annotation_clip=False,
        )


def flat(text: str) -> str:
    """Return free text as one line without control characters, which would break the layout."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def short(text: str, most: int = 34) -> str:
    """Return free text in one line of at most `most` characters."""
    line = flat(text)
    return line if len(line) <= most else line[: most - 1] + "…"


def wrapped(text: str) -> str:
    """Return the words of a legend in lines that fit the figure's width."""
    return textwrap.fill(text, look.LEGEND_CHARACTERS)


def label_time(panel: Axes, start_s: float, end_s: float) -> None:
    """Set ticks and label of the time axis."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    span_s = end_s - start_s
    panel.xaxis.set_major_locator(MultipleLocator(time_step_s(span_s)))
    panel.xaxis.set_major_formatter(FuncFormatter(lambda at_s, _: time_text(at_s, span_s)))
    panel.set_xlabel(time_axis_label(span_s))
