"""Units and scales of oxygen sensor tests on the older buses (service 05)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from types import MappingProxyType
from typing import Final

from obdlog.tables.loader import package_text, read_rows

FILE: Final = "j1979_oxygen_tests.csv"
COLUMNS: Final = ("id", "constant", "unit", "scale", "source", "checked")


@dataclass(frozen=True, slots=True)
class OxygenScale:
    """Unit and scale of one test; a `constant` is what the module uses, not what it measured."""

    constant: bool
    unit: str
    scale: Fraction


@cache
def oxygen_scales() -> Mapping[int, OxygenScale]:
    """Return the scales of the standard's tests by test id; the maker's tests have none."""
    return parse_oxygen_scales(package_text(FILE))


def parse_oxygen_scales(text: str, file: str = FILE) -> Mapping[int, OxygenScale]:
    """Return test id → unit and scale.

    Raises
    ------
    TableError
        A row is malformed or doubled.
    """
    found: dict[int, OxygenScale] = {}
    for row in read_rows(text, COLUMNS, file):
        number, scale = row.whole("id", 16), row.fraction("scale")
        if not 0 < number <= 0xFF or number in found:
            raise row.error(f"id: {row.cells['id']!r} is no test id, or stands twice")
        if scale <= 0:
            raise row.error("scale is not above zero")
        row.need("source", "checked")
        found[number] = OxygenScale(row.yes("constant"), row.unit(), scale)
    return MappingProxyType(found)
