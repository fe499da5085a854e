"""The signals of SAE J1979, found by PID or by name.

The table is opened at first use, and of it only the rows of the PIDs that are asked for are read:
a car answers with a few of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import NamedTuple

from obdlog.errors import TableError
from obdlog.tables.loader import package_text
from obdlog.tables.signal_rows import FILE, Signal, parse_signals

__all__ = ["Signal", "all_signals", "by_name", "by_pid", "lengths", "pids_by_name"]


def all_signals() -> tuple[Signal, ...]:
    """Return every row of the table, in the table's order."""
    return tuple(row for pid in _table().rows for row in by_pid(pid))


@cache
def by_pid(pid: int) -> tuple[Signal, ...]:
    """Return the rows of a PID, or nothing when the table does not know it."""
    table = _table()
    rows = table.rows.get(pid)
    if rows is None:
        return ()
    text = "\n".join((table.header, *rows.lines)) + "\n"
    return parse_signals(text, skipped=rows.first - 2)


def by_name(name: str) -> Signal:
    """Return the row of a signal (the first, where conditions choose between several).

    Raises
    ------
    TableError
        The table has no such signal.
    """
    for row in by_pid(_table().names.get(name, -1)):
        if row.name == name:
            return row
    raise TableError(f"there is no signal {name!r}", file=FILE)


def pids_by_name() -> Mapping[str, int]:
    """Return the PID of every signal name, in the table's order, without reading the rows."""
    return _table().names


@cache
def lengths(pid: int) -> tuple[int, ...]:
    """Return the data lengths [bytes] that a PID may have, shortest first; () if unknown."""
    return tuple(sorted({n for signal in by_pid(pid) for n in signal.lengths}))


class _Rows(NamedTuple):
    """The lines of one PID, and the number of the first."""

    first: int
    lines: list[str]


class _Table(NamedTuple):
    header: str
    rows: Mapping[int, _Rows]
    names: Mapping[str, int]


@cache
def _table() -> _Table:
    return _index(package_text(FILE))


def _index(text: str) -> _Table:
    """Return the table's lines by PID, which is as much as a search needs."""
    header, *lines = text.splitlines()
    rows: dict[int, _Rows] = {}
    names: dict[str, int] = {}
    for number, line in enumerate(lines, start=2):
        digits, name, *_ = (*line.split(",", 2), "")
        try:
            pid = int(digits, 16)
        except ValueError:
            raise TableError(f"{digits!r} is no PID", file=FILE, line=number) from None
        if rows and pid < next(reversed(rows)):
            raise TableError("the PIDs do not rise", file=FILE, line=number)
        rows.setdefault(pid, _Rows(number, [])).lines.append(line)
        if names.setdefault(name, pid) != pid:
            raise TableError(f"signal {name} stands twice", file=FILE, line=number)
    return _Table(header, MappingProxyType(rows), MappingProxyType(names))
