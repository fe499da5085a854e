"""The signals of SAE J1979, found by PID or by name; the table is read at first use."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import NamedTuple

from obdlog.errors import TableError
from obdlog.tables.loader import package_text
from obdlog.tables.signal_rows import FILE, Signal, parse_signals

__all__ = ["Signal", "all_signals", "by_name", "by_pid", "lengths"]


def all_signals() -> tuple[Signal, ...]:
    """Return every row of the table, in the table's order."""
    return _table().rows


def by_pid(pid: int) -> tuple[Signal, ...]:
    """Return the rows of a PID, or nothing when the table does not know it."""
    return _table().pids.get(pid, ())


def by_name(name: str) -> Signal:
    """Return the row of a signal (the first, where conditions choose between several).

    Raises
    ------
    TableError
        The table has no such signal.
    """
    try:
        return _table().names[name]
    except KeyError:
        raise TableError(f"there is no signal {name!r}", file=FILE) from None


def lengths(pid: int) -> tuple[int, ...]:
    """Return the data lengths [bytes] that a PID may have, shortest first; () if unknown."""
    return _table().lengths.get(pid, ())


class _Table(NamedTuple):
    rows: tuple[Signal, ...]
    pids: Mapping[int, tuple[Signal, ...]]
    names: Mapping[str, Signal]
    lengths: Mapping[int, tuple[int, ...]]


@cache
def _table() -> _Table:
    return _index(parse_signals(package_text(FILE)))


def _index(rows: tuple[Signal, ...]) -> _Table:
    pids: dict[int, list[Signal]] = {}
    names: dict[str, Signal] = {}
    for row in rows:
        pids.setdefault(row.pid, []).append(row)
        names.setdefault(row.name, row)
    found = {pid: tuple(signals) for pid, signals in pids.items()}
    sizes = {
        pid: tuple(sorted({n for s in group for n in s.lengths})) for pid, group in found.items()
    }
    return _Table(rows, found, names, sizes)
