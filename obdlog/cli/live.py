"""The screen of ``obdlog watch`` as lines of text, made to fit a terminal; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from obdlog.cli import screen
from obdlog.cli.options import Units
from obdlog.model import Reading
from obdlog.recorder import Progress

STOP = "Ctrl-C stops."
FIRST = ("ECT", "RPM", "VSS", "VPWR", "LOAD_PCT", "TP", "MAF", "MAP", "SHRTFT1", "LONGFT1")
"""An engine that runs hot is seen first; what the road asks follows, then the rest by PID."""

PANE_WIDTH = 50
"""From twice this width on, signals that do not fit stand in a second column."""

_AGE_WIDTH = 7
_VALUE_WIDTH = 20
_GAP = "  "


def screen_lines(
    progress: Progress,
    units: Units,
    *,
    width: int,
    height: int,
    caution: str,
    as_named: bool = False,
) -> list[str]:
    """Return at most `height` lines of at most `width` characters.

    Parameters
    ----------
    caution
        What stands on top, whole, whatever else has room.
    as_named
        Keep the order in which signals arrive, as the user named them.
    """
    rate = progress.readings / progress.seconds if progress.seconds else 0.0
    state = f"{progress.seconds:.0f} s   {rate:.0f} readings/s   lost {progress.lost}   {STOP}"
    if len(state) > width:
        state = f"{progress.seconds:.0f} s  {STOP}"
    head = [*textwrap.wrap(caution, max(width, 20)), state, ""]
    rows = _rows(progress, units, as_named=as_named)
    room = max(1, height - len(head) - 1)
    panes = max(1, min(width // PANE_WIDTH, -(-len(rows) // room)))
    pane_width = (width - len(_GAP) * (panes - 1)) // panes
    more = len(rows) - room * panes
    if more > 0:
        room = max(1, room - 1)
        more = len(rows) - room * panes
    titles = _row(("Signal", "", "Value", "Age"), pane_width)
    columns = [rows[i * room : (i + 1) * room] for i in range(panes)]
    body = [_GAP.join([titles] * panes)]
    body += [
        _GAP.join(_row(c[at], pane_width) for c in columns if at < len(c))
        for at in range(min(room, len(rows)))
    ]
    if more > 0:
        body.append(f"{more} more: name them with --signal")
    return [line.rstrip()[:width] for line in (head + body)[:height]]


def _rows(progress: Progress, units: Units, *, as_named: bool) -> list[tuple[str, str, str, str]]:
    modules = {source for source, _ in progress.latest}

    def order(item: tuple[tuple[str, str], tuple[float, Reading]]) -> tuple[int, str]:
        (_, signal), (_, reading) = item
        return (FIRST.index(signal) if signal in FIRST else len(FIRST), reading.pid)

    items = list(progress.latest.items())
    return [
        (
            reading.label,
            f" ({source})" if len(modules) > 1 else "",
            screen.reading_text(reading, units),
            f"{max(0.0, progress.seconds - at_s):.1f} s",
        )
        for (source, _), (at_s, reading) in (items if as_named else sorted(items, key=order))
    ]


def _row(cells: Sequence[str], width: int) -> str:
    """Return label, module, value and age in `width` characters.

    What is too long is cut with an ellipsis, never the module: it tells two rows apart.
    """
    label, module, value, age = cells
    value_width = max(8, min(_VALUE_WIDTH, (width - _AGE_WIDTH) // 2 - 1))
    label_width = max(4, width - value_width - _AGE_WIDTH - 2)
    named = f"{_cut(label, max(2, label_width - len(module))).rstrip() + module:<{label_width}}"
    return f"{named} {_cut(value, value_width)} {age:>{_AGE_WIDTH}}"


def _cut(text: str, width: int) -> str:
    return f"{text:<{width}}" if len(text) <= width else text[: width - 1] + "…"
