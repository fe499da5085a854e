"""Closed lists of texts: fuel types, OBD requirements, fuel system states."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Final

from obdlog.errors import TableError
from obdlog.tables.loader import package_text, read_rows

FILE: Final = "j1979_lookups.csv"
COLUMNS: Final = ("lookup", "raw", "text", "source", "checked")


def parse_lookups(text: str, file: str = FILE) -> Mapping[str, Mapping[int, str]]:
    """Return number → text for every list in the table.

    Raises
    ------
    TableError
        A row is malformed, or a list states a number or a text twice.
    """
    lists: dict[str, dict[int, str]] = {}
    for row in read_rows(text, COLUMNS, file):
        entries = lists.setdefault(row.cells["lookup"], {})
        raw = row.whole("raw", 16)
        wording = row.cells["text"]
        if not wording or not row.cells["lookup"]:
            raise row.error("a list and a text are needed")
        if not row.cells["source"] or not row.cells["checked"]:
            raise row.error("a source and what it was checked against are needed")
        if raw in entries or wording in entries.values():
            raise row.error(f"{row.cells['lookup']} states {raw:02X} or {wording!r} twice")
        entries[raw] = wording
    return MappingProxyType({name: MappingProxyType(found) for name, found in lists.items()})


@cache
def all_lookups() -> Mapping[str, Mapping[int, str]]:
    """Return every closed list that ships with the package, number → text."""
    return parse_lookups(package_text(FILE))


def lookup(name: str) -> Mapping[int, str]:
    """Return one closed list, number → text.

    Raises
    ------
    TableError
        There is no list of that name.
    """
    try:
        return all_lookups()[name]
    except KeyError:
        raise TableError(f"there is no list {name!r}", file=FILE) from None
