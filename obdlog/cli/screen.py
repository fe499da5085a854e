"""Everything that is printed: text on stdout, messages and progress on stderr.

What comes from a car, a file or a user passes `plain` first, so that no control character and
no markup of ours can hide in it.
"""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

import msgspec

from obdlog.cli.options import Units
from obdlog.model import Reading, Value
from obdlog.session.format import printable
from obdlog.units import convert, rounded

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table


_LEAST_ROOM = 24
_SHOWN = {"min-1": "rpm", "ratio": "", "count": ""}


def console(*, stderr: bool = False) -> Console:
    """Return a console for stdout or stderr; it honours NO_COLOR."""
    from obdlog.cli.terminal import Terminal

    out = Terminal(stderr=stderr, highlight=False, markup=False, emoji=False, soft_wrap=False)
    if not out.is_terminal and not os.environ.get("COLUMNS", "").isdigit():
        out.width = 110
    return out


def plain(text: object) -> str:
    """Return `text` without anything a terminal would obey."""
    return printable(str(text))


def say(text: str = "") -> None:
    """Print one line or paragraph on stdout."""
    console().print(text)


def heading(text: str) -> None:
    """Print a heading on stdout."""
    console().print(f"\n{text}", style="bold")


def tell(text: str) -> None:
    """Print a message on stderr."""
    console(stderr=True).print(text)


def progress(text: str) -> None:
    """Print a progress line on stderr where that is a terminal."""
    if sys.stderr.isatty():
        console(stderr=True).print(f"… {text}", style="dim")


def print_json(document: Any) -> None:
    """Print `document` as one line of JSON on stdout, in UTF-8 whatever the locale [RFC8259]."""
    line = msgspec.json.encode(document) + b"\n"
    raw = getattr(sys.stdout, "buffer", None)
    if raw is None:
        sys.stdout.write(line.decode("utf-8"))
    else:
        sys.stdout.flush()
        raw.write(line)
    sys.stdout.flush()


def table(*columns: str, title: str = "") -> Table:
    """Return an empty table with our one look: a rule under the head, nothing else."""
    from rich import box
    from rich.table import Table

    made = Table(box=box.SIMPLE_HEAD, title=title or None, title_justify="left", pad_edge=False)
    for column in columns:
        made.add_column(column, overflow="fold")
    return made


def print_table(columns: Iterable[str], rows: Iterable[Iterable[object]], title: str = "") -> None:
    """Print rows under `columns`; every cell passes `plain`."""
    made = table(*columns, title=title)
    for row in rows:
        made.add_row(*("" if cell is None else plain(cell) for cell in row))
    console().print(made)


def value_text(value: Value, unit: str, units: Units = Units.METRIC) -> str:
    """Return a value with its unit as a person reads it."""
    if value is None:
        return "not available"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return plain(value)
    return number_text(*convert(float(value), unit, units.value))


def number_text(number: float, unit: str) -> str:
    """Return a number as a person reads it, with a unit that is shown as it is."""
    return f"{rounded(number, unit)} {_SHOWN.get(unit, unit)}".rstrip()


def reading_text(reading: Reading, units: Units = Units.METRIC) -> str:
    """Return the value of `reading` with its unit."""
    return value_text(reading.value, reading.unit, units)


def local_time(utc: str) -> str:
    """Return an ISO 8601 time in UTC as local time for the screen."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%Y-%m-%d %H:%M:%S")
    except ValueError:
        return plain(utc)


def yes_no(value: bool | None) -> str:
    """Return yes, no or unknown."""
    return "unknown" if value is None else "yes" if value else "no"


def bullet(lines: Iterable[str], *, stderr: bool = False) -> None:
    """Print a list."""
    for line in lines:
        say_indented(f"• {line}", 4, first=2, stderr=stderr)


def say_indented(
    text: str,
    indent: int = 2,
    *,
    first: int | None = None,
    style: str = "",
    stderr: bool = False,
) -> None:
    """Print a paragraph, `indent` columns in; its first line `first`, if another."""
    out = console(stderr=stderr)
    lines = textwrap.wrap(
        plain(text),
        max(out.width, indent + _LEAST_ROOM),
        initial_indent=" " * (indent if first is None else first),
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
    )
    out.print("\n".join(lines), style=style or None)


def facts(pairs: Mapping[str, object]) -> None:
    """Print name and value pairs, one below another, leaving out what is not known."""
    out = console()
    known = {key: plain(value) for key, value in pairs.items() if value not in (None, "")}
    width = max(map(len, known), default=0)
    beside = out.width >= width + 2 + _LEAST_ROOM
    for key, value in known.items():
        first, indent = (f"{key:<{width}}  ", " " * (width + 2)) if beside else (f"{key}\n  ", "  ")
        room = out.width - len(indent)
        lines = textwrap.wrap(value, room, break_on_hyphens=False) or [value]
        out.print(first + f"\n{indent}".join(lines))
