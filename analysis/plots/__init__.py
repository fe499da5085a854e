"""Figures: each function returns one matplotlib Figure; nothing here touches pyplot's state."""

from __future__ import annotations

from analysis.plots.agreement import plot_agreement
from analysis.plots.panel import Band
from analysis.plots.save import save_figure
from analysis.plots.timeline import plot_timeline

__all__ = ["Band", "plot_agreement", "plot_timeline", "save_figure"]
