"""Figures to files."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.plots import look

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMATS = ("png", "svg", "pdf")


def save_figure(figure: Figure, path: Path | str, *, dpi: int = 150) -> Path:
    """Return the path written; its suffix, .png, .svg or .pdf, says the format.

    Raises
    ------
    ValueError
        The suffix names none of the three formats.
    """
    path = Path(path)
    suffix = path.suffix.lower().lstrip(".")
    if suffix not in FORMATS:
        named = f"“{path.suffix}”" if path.suffix else "a name without a suffix"
        raise ValueError(f"a figure is written as .png, .svg or .pdf, not as {named}")
    path.write_bytes(figure_bytes(figure, suffix, dpi=dpi))
    return path


def figure_bytes(figure: Figure, form: str, *, dpi: int = 150) -> bytes:
    """Return the figure as a file's bytes; the same figure gives the same bytes."""
    metadata: dict[str, Any] = {
        "png": {"Software": None},
        "svg": {"Date": None, "Creator": None},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    }[form]
    buffer = io.BytesIO()
    with look.applied():
        figure.savefig(buffer, format=form, dpi=dpi, metadata=metadata)
    return buffer.getvalue()
