"""The tables behind the meaning of codes: components, kinds of fault, families of codes.

A row of a family's table states a run of codes: ``P0100,maf,sensor A,circuit range low high`` are
P0100 to P0103, one kind of fault each, ``-`` where the standard leaves a number out. A place that
counts (``cylinder 1..8``, ``sensor A..B``) repeats the faults for each of its places.

Code numbers, and which circuit each names, follow public lists that quote SAE J2012 / ISO 15031-6
(PUBLIC-DTC); a kind of fault with a ``?`` behind it is in none of them and from memory. All
wording, and the relations between components, are ours (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from heapq import nlargest
from typing import Final

from obdlog.codes.patterns import fits, matches, span
from obdlog.tables.code_text import code_number, code_text
from obdlog.tables.loader import Row, package_text, read_rows

FAMILIES: Final = {
    "P0[0-6]??": "j2012_p00_p06.csv",
    "P0[7-9]??": "j2012_p07_p09.csv",
    "P0[A-F]??": "j2012_p0a_p0f.csv",
    "P2[0-2]??": "j2012_p20_p22.csv",
    "P2[3-9A-F]??": "j2012_p23_p2f.csv",
    "P3[4-9A-F]??": "j2012_p34_p3f.csv",
    "C0???": "j2012_chassis.csv",
    "B0???": "j2012_body.csv",
    "U[03]???": "j2012_network.csv",
}
"""The table of each family of standardised codes, by the pattern of its codes."""
COMPONENTS = "j2012_components.csv"
FAULTS = "j2012_faults.csv"
KINDS: Final = (
    "sensor", "switch", "actuator", "heater", "lamp", "supply", "module", "bus", "mechanical",
    "system",
)  # fmt: skip

_COUNTING: Final = re.compile(r"(|.* )(\d+|[A-Z])\.\.(\d+|[A-Z])")
_RAIL: Final = re.compile(r"([A-Z][A-Z0-9_]*)(=|>=|<=)(-?\d{1,6}(?:\.\d{1,6})?)(\*?)")
_MOST_PLACES: Final = 99
_SAME_LETTER_AND_DIGIT: Final = 0xFFF
_LEFT_OUT: Final = "-"
_UNLISTED: Final = "?"
_NEAR_RUNS: Final = 4
_COMPONENT_COLUMNS: Final = (
    "id", "label", "kind", "aliases", "signals", "rails", "connector", "reference", "leads_to",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rail:
    """A reading that stands at the end of its range when its circuit is open or shorted.

    `compare` is ``=``, ``>=`` or ``<=``; `running` restricts it to a running engine (an airflow of
    zero is right when it stands).
    """

    signal: str
    value: float
    running: bool
    compare: str = "="

    def holds(self, value: float) -> bool:
        """Return whether a reading of `value` stands at this end of the range."""
        if self.compare == "=":
            return value == self.value
        return value >= self.value if self.compare == ">=" else value <= self.value


@dataclass(frozen=True, slots=True)
class Component:
    """A circuit, part, system or module that codes name; `kind` is one of `KINDS`.

    `connector` and `reference` are groups that share a plug or a 5 V supply on many vehicles; a
    heater that may sit in one of several plugs names them all (``o2-upstream|o2-downstream``).
    `leads_to` are patterns of codes that a fault here commonly brings along.
    """

    id: str
    label: str
    kind: str
    aliases: tuple[str, ...]
    signals: tuple[str, ...]
    rails: tuple[Rail, ...]
    connector: str
    reference: str
    leads_to: tuple[str, ...]

    @property
    def on_12_volt(self) -> bool:
        """Whether this is part of the supply whose voltage PID 42 shows."""
        return self.kind == "supply" and "VPWR" in self.signals

    def shares_plug(self, other: Component) -> bool:
        """Return whether the two are different and share a plug on many vehicles."""
        return self != other and bool(set(_parts(self.connector)) & set(_parts(other.connector)))

    def leads_to_code(self, code: str) -> bool:
        """Return whether a fault of this component commonly brings `code` along."""
        return matches(code, self.leads_to)


def codes_matching(patterns: tuple[str, ...]) -> Iterator[CodeRow]:
    """Yield the codes that fit one of `patterns`, making only the runs that can hold any."""
    if not patterns:
        return
    ends = [span(pattern) for pattern in patterns]
    for family in FAMILIES:
        lowest, highest = span(family)
        mine = [(low, high) for low, high in ends if low <= highest and high >= lowest]
        for row in _rows(family) if mine else ():
            first, last = row.cells["first"], min(_reach(row), highest)
            if any(first <= high and last >= low for low, high in mine):
                yield from (one for one in _run(row) if matches(one.code, patterns))


def _reach(row: Row) -> str:
    """Return the last code that a run may reach, or one behind it."""
    places = _MOST_PLACES if ".." in row.cells["place"] else 1
    count = (row.cells["faults"].count(" ") + 1) * places
    try:
        first = code_number(row.cells["first"])
        return code_text(min(first + count, first | _SAME_LETTER_AND_DIGIT))
    except ValueError as error:
        raise row.error(str(error)) from None


@dataclass(frozen=True, slots=True)
class Fault:
    """A kind of fault: how it reads, its sort, likely causes in order, what to measure."""

    id: str
    phrase: str
    sort: str
    causes: tuple[str, ...]
    measure: str


@dataclass(frozen=True, slots=True)
class CodeRow:
    """One code of the table; `place` is the bank, cylinder or sensor, "" where none.

    `listed` says whether a public list of codes names it; if not, it is from memory.
    """

    code: str
    component: Component
    place: str
    fault: Fault
    listed: bool = True


@cache
def components() -> Mapping[str, Component]:
    """Return all components by id.

    Raises
    ------
    TableError
        A row is malformed or doubled.
    """
    found: dict[str, Component] = {}
    for row in read_rows(package_text(COMPONENTS), _COMPONENT_COLUMNS, COMPONENTS):
        cells = row.cells
        if cells["kind"] not in KINDS:
            raise row.error(f"kind: {cells['kind']!r} is none of {', '.join(KINDS)}")
        found[_new_id(row, found)] = Component(
            cells["id"],
            cells["label"],
            cells["kind"],
            _parts(cells["aliases"]),
            _parts(cells["signals"]),
            tuple(_rail(row, text) for text in _parts(cells["rails"])),
            cells["connector"],
            cells["reference"],
            _parts(cells["leads_to"]),
        )
    return found


@cache
def faults() -> Mapping[str, Fault]:
    """Return all kinds of fault by id.

    Raises
    ------
    TableError
        A row is malformed or doubled.
    """
    found: dict[str, Fault] = {}
    for row in read_rows(
        package_text(FAULTS), ("id", "phrase", "sort", "causes", "measure"), FAULTS
    ):
        cells = row.cells
        found[_new_id(row, found)] = Fault(
            cells["id"], cells["phrase"], cells["sort"], _parts(cells["causes"]), cells["measure"]
        )
    return found


@cache
def codes() -> Mapping[str, CodeRow]:
    """Return all codes that this edition explains, by their text.

    Raises
    ------
    TableError
        A row is malformed, names what is not there, or doubles a code.
    """
    return {code: row for pattern in FAMILIES for code, row in _family(pattern).items()}


@lru_cache(maxsize=1 << 12)
def code_row(code: str) -> CodeRow | None:
    """Return what one code names, None where this edition does not explain it.

    Only the table of the code's own family is read; the runs that begin nearest below the code
    are tried before all codes of the family are made.
    """
    pattern = next((pattern for pattern in FAMILIES if matches(code, (pattern,))), None)
    if pattern is None:
        return None
    below = (row for row in _rows(pattern) if row.cells["first"] <= code)
    for row in nlargest(_NEAR_RUNS, below, key=lambda row: row.cells["first"]):
        for one in _run(row):
            if one.code == code:
                return one
    return _family(pattern).get(code)


@cache
def _rows(pattern: str) -> tuple[Row, ...]:
    file = FAMILIES[pattern]
    columns = ("first", "component", "place", "faults")
    return tuple(read_rows(package_text(file), columns, file))


@cache
def _family(pattern: str) -> Mapping[str, CodeRow]:
    found: dict[str, CodeRow] = {}
    for row in _rows(pattern):
        for one in _run(row):
            if not fits(one.code, pattern) or one.code in found:
                raise row.error(f"{one.code} is doubled or does not belong to {pattern}")
            found[one.code] = one
    return found


def _run(row: Row) -> Iterator[CodeRow]:
    """Yield the codes of one row."""
    cells = row.cells
    try:
        number = code_number(cells["first"])
        component = components()[cells["component"]]
        kinds = [
            None if one == _LEFT_OUT else (faults()[one.rstrip(_UNLISTED)], _UNLISTED not in one)
            for one in cells["faults"].split()
        ]
    except KeyError as error:
        raise row.error(f"unknown component or fault {error}") from None
    except ValueError as error:
        raise row.error(str(error)) from None
    for place in _places(row):
        for kind in kinds:
            if kind is not None:
                yield CodeRow(code_text(number), component, place, *kind)
            number += 1


def _places(row: Row) -> Iterator[str]:
    text = row.cells["place"]
    counting = _COUNTING.fullmatch(text)
    if counting is None:
        yield text
        return
    before, first, last = counting.groups()
    if first.isdigit() is not last.isdigit() or len(first + last) > 4:
        raise row.error(f"place: {text!r} does not count")
    if first.isdigit():
        yield from (f"{before}{n}" for n in range(int(first), int(last) + 1))
    else:
        yield from (f"{before}{chr(n)}" for n in range(ord(first), ord(last) + 1))


def _new_id(row: Row, found: Mapping[str, object], column: str = "id") -> str:
    name = row.cells[column]
    if not name or name in found:
        raise row.error(f"{column} {name!r} is empty or doubled")
    return name


def _parts(text: str) -> tuple[str, ...]:
    return tuple(filter(None, text.split("|"))) if text else ()


def _rail(row: Row, text: str) -> Rail:
    match = _RAIL.fullmatch(text)
    if match is None:
        raise row.error(f"rails: {text!r} is not such as ECT=-40, ECT>=140 or MAF=0*")
    signal, compare, value, running = match.groups()
    return Rail(signal, float(value), bool(running), compare)
