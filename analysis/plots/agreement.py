"""Two signals against each other, with the line on which they would agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.plots import look

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.data import FloatArray

MOST_POINTS = 20_000
"""More points than this are thinned evenly; a scatter cannot show more."""


def plot_agreement(
    expected: FloatArray,
    measured: FloatArray,
    *,
    expected_label: str,
    measured_label: str,
    unit: str,
    tolerance: float | None = None,
    title: str = "",
) -> Figure:
    """Return a figure of `measured` over `expected`, both in `unit`, pair by pair.

    Parameters
    ----------
    expected, measured
        Values of the same length; pairs with a missing value are left out.
    expected_label, measured_label
        Axis labels, without unit.
    unit
        The unit as shown.
    tolerance
        Half width of the shaded band around equality as a share, 0.15 for ±15 %.
    title
        Heading.

    Raises
    ------
    ValueError
        Lengths differ, or no pair is complete.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    if expected.shape != measured.shape:
        raise ValueError("expected and measured differ in length")
    known = np.isfinite(expected) & np.isfinite(measured)
    if not known.any():
        raise ValueError("no moment has both an expected and a measured value")
    across, up = expected[known], measured[known]
    step = -(-across.size // MOST_POINTS)
    across, up = across[::step], up[::step]
    most = float(max(across.max(), up.max())) * 1.05 or 1.0
    least = min(0.0, float(min(across.min(), up.min())))
    with look.applied():
        figure = Figure(figsize=(5.6, 5.4), layout="constrained")
        FigureCanvasAgg(figure)
        panel = figure.subplots()
        line = np.array([least, most])
        if tolerance is not None:
            panel.fill_between(
                line,
                line * (1 - tolerance),
                line * (1 + tolerance),
                color=look.BAND_FILL,
                zorder=0.5,
                linewidth=0,
                label=f"within ±{tolerance * 100:g} %",
            )
        panel.plot(line, line, color=look.INK, dashes=(6, 3), linewidth=1, label="equal")
        panel.plot(
            across,
            up,
            linestyle="none",
            marker="o",
            markersize=2.4,
            alpha=0.45,
            markeredgewidth=0,
            color=look.LINES[0][0],
            label=f"{across.size} moments",
        )
        panel.set(xlim=(least, most), ylim=(least, most), aspect="equal")
        panel.set_xlabel(f"{expected_label} [{unit}]" if unit else expected_label)
        panel.set_ylabel(f"{measured_label} [{unit}]" if unit else measured_label)
        panel.legend(loc="upper left")
        if title:
            panel.set_title(title, loc="left", fontweight="bold")
    return figure
