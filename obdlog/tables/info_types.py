"""What service 09 can tell: its information types, in-use counters and names of modules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Final

from obdlog.errors import TableError
from obdlog.tables.loader import package_text, read_rows

TYPES_FILE: Final = "j1979_info_types.csv"
COUNTERS_FILE: Final = "j1979_counters.csv"
NAMES_FILE: Final = "j1979_module_names.csv"

TYPE_COLUMNS: Final = (
    "id", "label", "layout", "size", "key", "unit", "unavailable", "list", "source", "checked",
)  # fmt: skip
COUNTER_COLUMNS: Final = ("list", "position", "name", "monitor", "counts", "source", "checked")
NAME_COLUMNS: Final = ("acronym", "stem", "name", "meaning", "source", "checked")

MESSAGE_COUNT, TEXT, HEX, COUNTERS, NUMBER, CHOICE = (
    "message-count", "text", "hex", "counters", "number", "choice",
)  # fmt: skip
LAYOUTS: Final = frozenset({MESSAGE_COUNT, TEXT, HEX, COUNTERS, NUMBER, CHOICE})
COMPLETED, CONDITIONS, CYCLES = "completed", "conditions", "cycles"


@dataclass(frozen=True, slots=True)
class InfoType:
    """One information type: items of `size` bytes, laid out as `layout` says.

    `key` is where the ``info`` object of the ``decode`` command holds it. `unavailable` is the
    number that stands for "no value". `list` names the counters or the closed list of texts.
    """

    id: int
    label: str
    layout: str
    size: int
    key: str
    unit: str = ""
    unavailable: int | None = None
    list: str = ""


@dataclass(frozen=True, slots=True)
class InUseCounter:
    """A counter: completed tests or met conditions of a `monitor`; "" for the whole vehicle."""

    name: str
    monitor: str
    counts: str


@cache
def info_types() -> Mapping[int, InfoType]:
    """Return the information types whose layout is public, by their number."""
    return parse_info_types(package_text(TYPES_FILE))


def parse_info_types(text: str, file: str = TYPES_FILE) -> Mapping[int, InfoType]:
    """Return number → information type.

    Raises
    ------
    TableError
        A row is malformed or doubled.
    """
    found: dict[int, InfoType] = {}
    for row in read_rows(text, TYPE_COLUMNS, file):
        number, cells = row.whole("id", 16), row.cells
        if not 0 < number <= 0xFF or number % 0x20 == 0 or number in found:
            raise row.error(f"id: {cells['id']!r} is no information type, or stands twice")
        if cells["layout"] not in LAYOUTS:
            raise row.error(f"layout: {cells['layout']!r} is none of {', '.join(sorted(LAYOUTS))}")
        row.need("label", "key", "source", "checked")
        size = row.whole("size")
        if not 1 <= size <= 32:
            raise row.error(f"size: {size} is not 1 to 32 bytes")
        found[number] = InfoType(
            number,
            cells["label"],
            cells["layout"],
            size,
            cells["key"],
            row.unit(),
            row.whole("unavailable", 16) if cells["unavailable"] else None,
            cells["list"],
        )
    return MappingProxyType(found)


@cache
def counters(list_name: str) -> tuple[InUseCounter, ...]:
    """Return the in-use counters of ``spark`` or ``compression``, in the order of the reply.

    Raises
    ------
    TableError
        There is no list of that name.
    """
    found = parse_counters(package_text(COUNTERS_FILE)).get(list_name)
    if found is None:
        raise TableError(f"there are no counters {list_name!r}", file=COUNTERS_FILE)
    return found


def parse_counters(text: str, file: str = COUNTERS_FILE) -> Mapping[str, tuple[InUseCounter, ...]]:
    """Return list name → its counters in order.

    Raises
    ------
    TableError
        A row is malformed, doubled, or not in its place.
    """
    lists: dict[str, list[InUseCounter]] = {}
    for row in read_rows(text, COUNTER_COLUMNS, file):
        row.need("list", "name", "source", "checked")
        cells, held = row.cells, lists.setdefault(row.cells["list"], [])
        if row.whole("position", 16) != len(held) or any(c.name == cells["name"] for c in held):
            raise row.error("positions count from 00 without gaps, and no name stands twice")
        if cells["counts"] not in (COMPLETED, CONDITIONS, CYCLES):
            raise row.error(f"counts: {cells['counts']!r} is not known")
        held.append(InUseCounter(cells["name"], cells["monitor"], cells["counts"]))
    return MappingProxyType({name: tuple(held) for name, held in lists.items()})


@cache
def _module_names() -> Mapping[str, str]:
    return parse_module_names(package_text(NAMES_FILE))


def parse_module_names(text: str, file: str = NAMES_FILE) -> Mapping[str, str]:
    """Return acronym or numbered acronym (``ECM``, ``ECM1`` … ``ECM8``) → meaning.

    Raises
    ------
    TableError
        A row is malformed, or an acronym stands twice.
    """
    found: dict[str, str] = {}
    for row in read_rows(text, NAME_COLUMNS, file):
        row.need(*NAME_COLUMNS)
        cells = row.cells
        for acronym in (cells["acronym"], *(f"{cells['stem']}{n}" for n in range(1, 9))):
            if acronym in found:
                raise row.error(f"{acronym} stands twice")
            found[acronym] = cells["meaning"]
    return MappingProxyType(found)


def module_meaning(ecu_name: str) -> str | None:
    """Return what a module's own name (``ECM-EngineControl``) stands for, None where unknown."""
    return _module_names().get(ecu_name.partition("-")[0].strip())
