"""Signals of one session over time, in stacked panels that share the time axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from analysis.data import SessionData
from analysis.plots import look
from analysis.plots import panel as draw
from analysis.plots.panel import Band
from analysis.plots.series import Series, build_series
from obdlog.errors import MissingSignalError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.findings import Finding

MOST_PANELS = 24
"""More panels than this make a figure that no page holds."""


def plot_timeline(
    data: SessionData,
    signals: Sequence[str | Sequence[str]],
    *,
    findings: Sequence[Finding] = (),
    bands: Mapping[str, Band | tuple[float | None, float | None, str]] | None = None,
    title: str = "",
    width_in: float = look.WIDTH_IN,
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
        Those that are outside have their evidence windows marked in the panel of their signal.
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
    legend_in = look.LEGEND_IN if any(draw.has_legend(panel, bands) for panel in panels) else 0.0
    gap_in = look.GAP_IN + legend_in
    with look.applied():
        marks = [mark for mark in data.marks if start_s <= mark.at_s <= end_s]
        rows = draw.mark_rows([mark.at_s for mark in marks], start_s, end_s, width_in)
        head_in = look.HEAD_IN + (look.LEGEND_IN if draw.has_legend(panels[0], bands) else 0.0)
        top_in = look.TITLE_IN * bool(title) + head_in + look.MARK_IN * (max(rows, default=-1) + 1)
        height_in = top_in + len(panels) * (look.PANEL_IN + gap_in) - gap_in + look.BOTTOM_IN
        figure = Figure(figsize=(width_in, height_in))
        FigureCanvasAgg(figure)
        axes = figure.subplots(
            len(panels),
            1,
            sharex=True,
            squeeze=False,
            gridspec_kw={
                "left": look.LEFT_IN / width_in,
                "right": 1 - look.RIGHT_IN / width_in,
                "top": 1 - top_in / height_in,
                "bottom": look.BOTTOM_IN / height_in,
                "hspace": gap_in / look.PANEL_IN,
            },
        )[:, 0].tolist()
        for panel, series in zip(axes, panels, strict=True):
            panel.set_xlim(start_s, end_s)
            draw.draw_lines(panel, series)
            draw.draw_gaps(panel, series, (start_s, end_s), width_in)
            draw.draw_findings(panel, series, findings, end_s - start_s, width_in)
            for line in series:
                if line.signal in bands:
                    draw.draw_band(panel, Band(*bands[line.signal]), draw.panel_unit(line.signal))
            draw.draw_heading(panel, series, draw.has_legend(series, bands))
        draw.draw_marks(axes, [(m.at_s, m.text) for m in marks], rows, head_in)
        draw.label_time(axes[-1], start_s, end_s)
        if title:
            figure.text(
                look.LEFT_IN / width_in,
                1 - 0.12 / height_in,
                draw.short(title, 90),
                fontsize=12,
                fontweight="bold",
                ha="left",
                va="top",
            )
    return figure


def _panel_series(data: SessionData, entry: str | Sequence[str]) -> list[Series]:
    names = [entry] if isinstance(entry, str) else list(entry)
    if not names:
        raise ValueError("a panel needs at least one signal")
    if len({draw.panel_unit(name) for name in names}) > 1:
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
