"""How figures look: colours, line styles, hatches and type sizes, in one place.

Lines take the eight-colour set for colour-vision deficiency of Okabe and Ito [OKABE-ITO], without
its yellow (too pale on white) and in an order whose lightness differs, so that a grey print
keeps the lines apart. A second cue (dash pattern, hatch or text) goes with every colour.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Final

INK: Final = "#1A1A1A"
FAINT: Final = "#595959"
GRID: Final = "#DDDDDD"
BAND_FILL: Final = "#E4EDF3"
BAND_EDGE: Final = "#5B7C93"
GAP_FILL: Final = "#F2F2F2"
GAP_EDGE: Final = "#9A9A9A"

LINES: Final[tuple[tuple[str, Any], ...]] = (
    ("#0072B2", "-"),
    ("#D55E00", (0, (5, 1.6))),
    ("#000000", (0, (1.2, 1.2))),
    ("#009E73", (0, (6, 1.5, 1.2, 1.5))),
    ("#CC79A7", (0, (3, 1, 1, 1, 1, 1))),
    ("#56B4E9", (0, (8, 2))),
    ("#E69F00", (0, (2, 2))),
)
"""Colour and dash pattern of the first, second, … line of one panel."""

GAP_HATCH: Final = "////"
OUTSIDE_HATCH: Final = "xx"
OUTSIDE_EDGE: Final = "#D55E00"
WRONG_SIDE_HATCH: Final = "\\\\\\\\\\"
"""Along a limit that is open on its other side: beyond it lies what is not expected."""

# Sizes of a timeline [in].
WIDTH_IN: Final = 9.6
PANEL_IN: Final = 1.55
TITLE_IN: Final = 0.42
HEAD_IN: Final = 0.27
LEGEND_IN: Final = 0.2
LEGEND_LINE_IN: Final = 0.15
LEGEND_CHARACTERS: Final = 118
MARK_IN: Final = 0.21
BOTTOM_IN: Final = 0.6
GAP_IN: Final = 0.42
LEFT_IN: Final = 0.8
RIGHT_IN: Final = 0.25

SETTINGS: Final[Mapping[str, Any]] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.labelsize": 9.0,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "legend.fontsize": 8.0,
    "legend.frameon": False,
    "lines.linewidth": 1.3,
    "hatch.linewidth": 0.6,
    "path.simplify": True,
    "svg.hashsalt": "obdlog",
    "svg.fonttype": "path",
    "text.color": INK,
    # Text may come from a file: a “$” in it must not start mathematics.
    "text.parse_math": False,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "axes.formatter.useoffset": False,
}


@contextmanager
def applied() -> Iterator[None]:
    """Yield with `SETTINGS` in force; the caller's own settings come back afterwards."""
    import matplotlib

    settings: Any = dict(SETTINGS)
    with matplotlib.rc_context(settings):
        yield
