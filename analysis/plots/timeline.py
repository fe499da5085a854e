"""Signals of one session over time, in stacked panels that share the time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.data import SessionData
from analysis.plots import look
from analysis.plots import panel as draw
from analysis.plots.panel import Bands
from analysis.plots.series import Series, build_series
from obdlog.errors import MissingSignalError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.findings import Finding

MOST_PANELS = 24
"""More panels than this make a figure that no page holds."""


def plot_timeline(
    data: SessionData,
    signals: Sequence[str | Sequence[str]],
    *,
    findings: Sequence[Finding] = (),
    bands: Bands | None = None,
    title: str = "",
    width_in: float = look.WIDTH_IN,
    span_s: tuple[float, float] | None = None,
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
        Expected ranges of each signal, drawn where they apply, with their sources in the legend.
    title
        Heading of the figure.
    width_in
        Width of the figure [in].
    span_s
        Begin and end of the time axis [s]; by default what the signals span.

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
    start_s, end_s = span_s or _span(panels)
    bands = bands or {}
    legends_in = [draw.legend_in(panel, bands) for panel in panels]
    with look.applied():
        marks = [mark for mark in data.marks if start_s <= mark.at_s <= end_s]
        rows = draw.mark_rows([mark.at_s for mark in marks], start_s, end_s, width_in)
        head_in = look.HEAD_IN + legends_in[0]
        top_in = look.TITLE_IN * bool(title) + head_in + look.MARK_IN * (max(rows, default=-1) + 1)
        tops_in = [top_in]
        for legend_in in legends_in[1:]:
            tops_in.append(tops_in[-1] + look.PANEL_IN + look.GAP_IN + legend_in)
        height_in = tops_in[-1] + look.PANEL_IN + look.BOTTOM_IN
        figure = Figure(figsize=(width_in, height_in))
        FigureCanvasAgg(figure)
        axes: list[Axes] = []
        for series, at_in in zip(panels, tops_in, strict=True):
            box = (
                look.LEFT_IN / width_in,
                1 - (at_in + look.PANEL_IN) / height_in,
                1 - (look.LEFT_IN + look.RIGHT_IN) / width_in,
                look.PANEL_IN / height_in,
            )
            panel = figure.add_axes(box, sharex=axes[0] if axes else None)
            axes.append(panel)
            panel.set_xlim(start_s, end_s)
            panel.tick_params(labelbottom=len(axes) == len(panels))
            draw.draw_lines(panel, series)
            draw.draw_gaps(panel, series, (start_s, end_s), width_in)
            draw.draw_bands(panel, series, bands, width_in)
            draw.draw_findings(panel, series, findings, end_s - start_s, width_in)
            draw.draw_heading(panel, series, bands)
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
