"""Signals of one session over time, in stacked panels that share the time axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.data import SessionData, label_of, unit_of
from analysis.plots import look
from analysis.plots.axes import duration_text, time_axis_label, time_step_s, time_text
from analysis.plots.series import Series, broken_line, build_series, shared_spans
from obdlog import units
from obdlog.errors import MissingSignalError, TableError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.findings import Finding

MOST_PANELS = 24
"""More panels than this make a figure that no page holds."""

FEW_READINGS = 150
"""Up to this many readings each one gets a dot, so that slow polling is seen as such."""

MOST_MARKS = 12
"""Marks beyond this many are drawn without their text, which would not be readable."""

_WIDTH_IN = 9.6
_PANEL_IN = 1.55
_TITLE_IN = 0.42
_HEAD_IN = 0.27
_LEGEND_IN = 0.2
_MARK_IN = 0.21
_BOTTOM_IN = 0.6
_GAP_IN = 0.42
_LEFT_IN = 0.8
_RIGHT_IN = 0.25


class Band(NamedTuple):
    """An expected range in the signal's unit, None where it is open, and who says so."""

    low: float | None
    high: float | None
    source: str


def plot_timeline(
    data: SessionData,
    signals: Sequence[str | Sequence[str]],
    *,
    findings: Sequence[Finding] = (),
    bands: Mapping[str, Band | tuple[float | None, float | None, str]] | None = None,
    title: str = "",
    width_in: float = _WIDTH_IN,
) -> Figure:
    """Return a figure with one panel for each entry of `signals`, in that order.

    The line is broken where readings are missing; the missing stretch is hatched and labelled.
    Every panel states its median interval between readings, since what happened in between is
    not known. Nothing is told by colour alone.

    Parameters
    ----------
    data
        The session.
    signals
        A signal's name for a panel of its own, or several names of one unit for a shared panel.
    findings
        Findings whose evidence windows are marked in the panel of their signal.
    bands
        Expected range of a signal, shaded, with its source in the panel's legend.
    title
        Heading of the figure.
    width_in
        Width of the figure [in].

    Raises
    ------
    MissingSignalError
        No reading of any of the signals of a panel.
    ValueError
        No panel, too many panels, or several units in one panel.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    panels = [_panel_series(data, entry) for entry in signals]
    if not panels:
        raise ValueError("name at least one signal to plot")
    if len(panels) > MOST_PANELS:
        raise ValueError(f"{len(panels)} panels are more than one figure can show ({MOST_PANELS})")
    start_s, end_s = _span(panels)
    bands = bands or {}
    legend_in = _LEGEND_IN if any(_has_legend(panel, bands) for panel in panels) else 0.0
    gap_in = _GAP_IN + legend_in
    with look.applied():
        marks = [mark for mark in data.marks if start_s <= mark.at_s <= end_s]
        rows = _mark_rows([mark.at_s for mark in marks], start_s, end_s, width_in)
        head_in = _HEAD_IN + (_LEGEND_IN if _has_legend(panels[0], bands) else 0.0)
        top_in = _TITLE_IN * bool(title) + head_in + _MARK_IN * (max(rows, default=-1) + 1)
        height_in = top_in + len(panels) * (_PANEL_IN + gap_in) - gap_in + _BOTTOM_IN
        figure = Figure(figsize=(width_in, height_in))
        FigureCanvasAgg(figure)
        axes = figure.subplots(
            len(panels),
            1,
            sharex=True,
            squeeze=False,
            gridspec_kw={
                "left": _LEFT_IN / width_in,
                "right": 1 - _RIGHT_IN / width_in,
                "top": 1 - top_in / height_in,
                "bottom": _BOTTOM_IN / height_in,
                "hspace": gap_in / _PANEL_IN,
            },
        )[:, 0]
        for panel, series in zip(axes, panels, strict=True):
            panel.set_xlim(start_s, end_s)
            _draw_lines(panel, series)
            _draw_gaps(panel, series, (start_s, end_s), width_in)
            _draw_findings(panel, series, findings, end_s - start_s, width_in)
            for line in series:
                if line.signal in bands:
                    _draw_band(panel, Band(*bands[line.signal]), panel_unit(line.signal))
            _head(panel, series, _has_legend(series, bands))
        _draw_marks(axes, [(m.at_s, m.text) for m in marks], rows, head_in)
        _label_time(axes[-1], start_s, end_s)
        if title:
            figure.text(
                _LEFT_IN / width_in, 1 - 0.12 / height_in, _short(title, 90),
                fontsize=12, fontweight="bold", ha="left", va="top", parse_math=False,
            )  # fmt: skip
    return figure


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


def _panel_series(data: SessionData, entry: str | Sequence[str]) -> list[Series]:
    names = [entry] if isinstance(entry, str) else list(entry)
    if not names:
        raise ValueError("a panel needs at least one signal")
    if len({panel_unit(name) for name in names}) > 1:
        raise ValueError("signals of different units cannot share a panel: " + ", ".join(names))
    found = [build_series(data, name) for name in names]
    kept = [series for series in found if not series.empty]
    if not kept:
        raise MissingSignalError(names[0], hint="the session has: " + ", ".join(data.signals()))
    return kept


def _span(panels: Sequence[Sequence[Series]]) -> tuple[float, float]:
    every = [series for panel in panels for series in panel]
    start_s = min(float(series.at_s[0]) for series in every)
    end_s = max(float(series.at_s[-1]) for series in every)
    for series in every:
        # A gap at the very end has no reading after it, and still belongs on the figure.
        end_s = max([end_s, *(end for _, end in series.gaps)])
    return (start_s, end_s) if end_s > start_s else (start_s - 0.5, end_s + 0.5)


def _draw_lines(panel: Axes, every: Sequence[Series]) -> None:
    from matplotlib.ticker import MaxNLocator

    for number, series in enumerate(every):
        colour, dashes = look.LINES[number % len(look.LINES)]
        few = series.at_s.size <= FEW_READINGS
        at_s, value = broken_line(series)
        panel.plot(
            at_s, value, color=colour, linestyle=dashes, zorder=3, label=label_of(series.signal),
            marker="o" if few else None, markersize=2.6,
        )  # fmt: skip
        if not few:
            _draw_lone_readings(panel, at_s, value, colour)
    panel.set_ylabel(panel_unit(every[0].signal))
    panel.yaxis.set_major_locator(MaxNLocator(nbins=5, min_n_ticks=3))
    panel.margins(y=0.08)


def _head(panel: Axes, every: Sequence[Series], has_legend: bool) -> None:
    first = every[0].signal
    pad = 4 + (_LEGEND_IN * 72 if has_legend else 0)
    heading = panel_label(first) if len(every) == 1 else ", ".join(s.signal for s in every)
    panel.set_title(heading, loc="left", fontweight="bold", pad=pad, parse_math=False)
    slowest_s = max((s.interval_s for s in every if np.isfinite(s.interval_s)), default=None)
    if slowest_s is not None:
        rate = f"{slowest_s:.2f} s" if slowest_s < 1 else duration_text(slowest_s)
        panel.set_title(f"one reading every {rate}", loc="right", fontsize=8, color=look.FAINT,
                        pad=pad)  # fmt: skip
    if has_legend:
        handles, labels = panel.get_legend_handles_labels()
        skip = 1 if len(every) == 1 else 0
        legend = panel.legend(
            handles[skip:], labels[skip:], loc="lower left", bbox_to_anchor=(0, 0.99), ncols=3,
            handlelength=2.6, borderaxespad=0, borderpad=0.15, columnspacing=1.4,
        )  # fmt: skip
        for text in legend.get_texts():
            text.set_parse_math(False)


def _has_legend(
    every: Sequence[Series],
    bands: Mapping[str, Band | tuple[float | None, float | None, str]],
) -> bool:
    return len(every) > 1 or any(series.signal in bands for series in every)


def _draw_lone_readings(panel: Axes, at_s: np.ndarray, value: np.ndarray, colour: str) -> None:
    """A reading between two gaps makes no line; a dot keeps it visible."""
    known = np.isfinite(value)
    before = np.concatenate(([False], known[:-1]))
    after = np.concatenate((known[1:], [False]))
    lone = known & ~before & ~after
    if lone.any():
        panel.plot(at_s[lone], value[lone], linestyle="none", marker="o", markersize=3,
                   color=colour, label="_lone", zorder=3)  # fmt: skip


def _draw_band(panel: Axes, band: Band, unit: str) -> None:
    low, high = band.low, band.high
    if low is None and high is None:
        return
    if low is not None and high is not None:
        words = f"{low:g} to {high:g}"
    else:
        words = f"at least {low:g}" if low is not None else f"at most {high:g}"
    label = f"expected {words} {unit}".rstrip() + (
        f" · {_short(band.source, 60)}" if band.source else ""
    )
    # The band must not squeeze the readings: an open or far side ends at the panel's edge.
    bottom, top = panel.get_ylim()
    reach = top - bottom
    bottom = min(bottom, max(low, bottom - reach) - 0.04 * reach) if low is not None else bottom
    top = max(top, min(high, top + reach) + 0.04 * reach) if high is not None else top
    panel.set_ylim(bottom, top)
    panel.axhspan(
        bottom if low is None else low, top if high is None else high,
        facecolor=look.BAND_FILL, edgecolor="none", zorder=0.5, label=label,
    )  # fmt: skip
    for edge in (low, high):
        if edge is not None and bottom < edge < top:
            panel.axhline(edge, color=look.BAND_EDGE, linewidth=0.8, dashes=(6, 3), zorder=0.6)


def _draw_gaps(
    panel: Axes, every: Sequence[Series], span: tuple[float, float], width_in: float
) -> None:
    per_inch_s = (span[1] - span[0]) / (width_in - _LEFT_IN - _RIGHT_IN)
    for start, end in shared_spans([series.within(*span) for series in every]):
        panel.axvspan(start, end, facecolor=look.GAP_FILL, edgecolor=look.GAP_EDGE, linewidth=0,
                      hatch=look.GAP_HATCH, zorder=1)  # fmt: skip
        text = f"no data {duration_text(end - start)}"
        wide_in = (end - start) / per_inch_s
        if wide_in >= 0.16:
            panel.text(
                (start + end) / 2, 0.5, text, transform=panel.get_xaxis_transform(),
                rotation=0 if wide_in >= 0.95 else 90, ha="center", va="center", fontsize=7.5,
                color=look.INK, zorder=4, clip_on=True,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2, "alpha": 0.9},
            )  # fmt: skip


def _draw_findings(
    panel: Axes,
    every: Sequence[Series],
    findings: Sequence[Finding],
    span_s: float,
    width_in: float,
) -> None:
    names = {series.signal for series in every}
    per_inch_s = span_s / (width_in - _LEFT_IN - _RIGHT_IN)
    left_s, right_s = panel.get_xlim()
    shown = [(f, _window(f)) for f in findings if f.signal in names]
    drawn = [(f, window) for f, window in shown if window is not None]
    if drawn:
        # Room for the words below the readings.
        bottom, top = panel.get_ylim()
        panel.set_ylim(bottom - 0.17 * min(len(drawn), 3) * (top - bottom), top)
    for row, (finding, window) in enumerate(drawn):
        start, end = window
        # A window of one instant still has to be seen.
        end = max(end, start + 0.04 * per_inch_s)
        if end < left_s or start > right_s:
            continue
        edge = look.VERDICT_EDGE.get(str(finding.verdict), look.FAINT)
        panel.axvspan(start, end, facecolor="none", edgecolor=edge, linewidth=0.8, alpha=0.5,
                      hatch=look.VERDICT_HATCH.get(str(finding.verdict), ""), zorder=2)  # fmt: skip
        at_right = start > left_s + 0.6 * (right_s - left_s)
        panel.text(
            min(end, right_s) if at_right else max(start, left_s), 0.04 + 0.17 * (row % 5),
            f" {finding.verdict}: {_short(finding.title, 70)} ", transform=panel.get_xaxis_transform(),
            fontsize=7.5, ha="right" if at_right else "left", va="bottom", zorder=5, clip_on=True,
            parse_math=False,
            bbox={"facecolor": "white", "edgecolor": edge, "linewidth": 0.8, "pad": 1.5},
        )  # fmt: skip


def _window(finding: Finding) -> tuple[float, float] | None:
    """Return the seconds of a finding's evidence, or None when it names no moment."""
    evidence = finding.evidence
    first, worst = evidence.first_s, evidence.worst_s
    moments = [m for m in (first, worst) if m is not None]
    if not moments:
        return None
    start = min(moments)
    length = evidence.seconds or 0.0
    return start, max(start + length if first is not None else start, *moments)


def _mark_rows(at_s: Sequence[float], start_s: float, end_s: float, width_in: float) -> list[int]:
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


def _draw_marks(
    axes: Sequence[Axes],
    marks: Sequence[tuple[float, str]],
    rows: Sequence[int],
    head_in: float,
) -> None:
    for number, ((at_s, text), row) in enumerate(zip(marks, rows, strict=True), start=1):
        for panel in axes:
            panel.axvline(at_s, color=look.INK, linewidth=0.9, dashes=(1.5, 2), zorder=2.5)
        shown = str(number) if len(marks) > MOST_MARKS else _short(text)
        right_s = axes[0].get_xlim()[1]
        left_s = axes[0].get_xlim()[0]
        late = at_s > left_s + 0.8 * (right_s - left_s)
        axes[0].annotate(
            f"▾ {shown}" if not late else f"{shown} ▾", (at_s, 1.0),
            xycoords=axes[0].get_xaxis_transform(), xytext=(4 if late else -3, head_in * 72 + 1 + _MARK_IN * 72 * row),
            textcoords="offset points", fontsize=8, ha="right" if late else "left", va="bottom",
            annotation_clip=False, parse_math=False,
        )  # fmt: skip


def _short(text: str, most: int = 34) -> str:
    # Free text from a file: control characters and line ends would break the layout.
    flat = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return flat if len(flat) <= most else flat[: most - 1] + "…"


def _label_time(panel: Axes, start_s: float, end_s: float) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    span_s = end_s - start_s
    panel.xaxis.set_major_locator(MultipleLocator(time_step_s(span_s)))
    panel.xaxis.set_major_formatter(FuncFormatter(lambda at_s, _: time_text(at_s, span_s)))
    panel.set_xlabel(time_axis_label(span_s))
