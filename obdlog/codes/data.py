"""The tables behind the meaning of codes: components, kinds of fault, codes.

Code numbers, and which circuit each names, are from memory of SAE J2012 / ISO 15031-6; all
wording, and the relations between components, are ours (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache, lru_cache

from obdlog.tables.code_text import code_number
from obdlog.tables.loader import Row, package_text, read_rows

CODES = "j2012_codes.csv"
COMPONENTS = "j2012_components.csv"
FAULTS = "j2012_faults.csv"


@dataclass(frozen=True, slots=True)
class Rail:
    """A reading that stands at the end of its range when its circuit is open or shorted.

    `running` restricts it to a running engine (an airflow of zero is right when it stands).
    """

    signal: str
    value: float
    running: bool


@dataclass(frozen=True, slots=True)
class Component:
    """A circuit, part, system or module that codes name.

    `connector` and `reference` are groups that share a plug or a 5 V supply on many vehicles.
    `leads_to` are patterns of codes that a fault here commonly brings along.
    """

    id: str
    label: str
    aliases: tuple[str, ...]
    signals: tuple[str, ...]
    rails: tuple[Rail, ...]
    connector: str
    reference: str
    leads_to: tuple[str, ...]

    def leads_to_code(self, code: str) -> bool:
        """Return whether a fault of this component commonly brings `code` along."""
        return matches(code, self.leads_to)


@lru_cache(maxsize=1 << 16)
def matches(code: str, patterns: tuple[str, ...]) -> bool:
    """Return whether `code` fits one of `patterns` (``?`` and ``[0-5]`` stand for a digit)."""
    return any(fnmatchcase(code, pattern) for pattern in patterns)


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
    """One code of the table; `place` is the bank, cylinder or sensor, "" where none."""

    code: str
    component: Component
    place: str
    fault: Fault


@cache
def components() -> Mapping[str, Component]:
    """Return all components by id."""
    found: dict[str, Component] = {}
    columns = ("id", "label", "aliases", "signals", "rails", "connector", "reference", "leads_to")
    for row in read_rows(package_text(COMPONENTS), columns, COMPONENTS):
        cells = row.cells
        found[_new_id(row, found)] = Component(
            cells["id"],
            cells["label"],
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
    """Return all kinds of fault by id."""
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
    """Return all codes that this edition explains, by their text."""
    found: dict[str, CodeRow] = {}
    for row in read_rows(package_text(CODES), ("code", "component", "place", "fault"), CODES):
        cells = row.cells
        try:
            code_number(cells["code"])
            found[_new_id(row, found, "code")] = CodeRow(
                cells["code"],
                components()[cells["component"]],
                cells["place"],
                faults()[cells["fault"]],
            )
        except KeyError as error:
            raise row.error(f"unknown component or fault {error}") from None
        except ValueError as error:
            raise row.error(str(error)) from None
    return found


def _new_id(row: Row, found: Mapping[str, object], column: str = "id") -> str:
    name = row.cells[column]
    if not name or name in found:
        raise row.error(f"{column} {name!r} is empty or doubled")
    return name


def _parts(text: str) -> tuple[str, ...]:
    return tuple(part for part in text.split("|") if part)


def _rail(row: Row, text: str) -> Rail:
    signal, equals, value = text.partition("=")
    try:
        return Rail(signal, float(value.rstrip("*")), value.endswith("*"))
    except ValueError:
        raise row.error(f"rails: {text!r} is not SIGNAL{equals or '='}value") from None
