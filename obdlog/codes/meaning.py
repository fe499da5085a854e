"""What a trouble code says: who defines it, which system, which circuit, which kind of fault.

Ranges and failure types are the tables ``j2012_families.csv`` and ``j2012_failure_types.csv``.
Since its edition of 2016 the standard itself no longer groups codes by system: the names of the
families are orientation, not part of a meaning.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Final

from obdlog.codes.data import code_row, faults
from obdlog.tables.loader import package_text, read_rows

FAMILIES: Final = "j2012_families.csv"
FAILURE_TYPES: Final = "j2012_failure_types.csv"
OLDER: Final = "j2012_older_numbering.csv"

_TWO_NUMBERINGS: Final = "two numberings are in use: the maker's documents say which holds"

_CODE: Final = re.compile(r"([PCBU][0-3][0-9A-F]{3})(?:[-:]?([0-9A-F]{2}))?")
_LETTERS: Final = {"P": "powertrain", "C": "chassis", "B": "body", "U": "network"}


class Definer(StrEnum):
    """Who says what a code means."""

    STANDARD = "standard"
    MAKER = "maker"
    RESERVED = "reserved"


@dataclass(frozen=True, slots=True)
class Family:
    """A range of codes from the beginning `first` to `last`; `note` warns of other numberings."""

    first: str
    last: str
    name: str
    definer: Definer
    note: str

    @property
    def prefix(self) -> str:
        """Return how its codes begin, ``P01`` or ``P30–P33``."""
        return self.first if self.first == self.last else f"{self.first}–{self.last}"

    def holds(self, code: str) -> bool:
        """Return whether `code` is in this range."""
        return self.first <= code[: len(self.first)] <= self.last


@dataclass(frozen=True, slots=True)
class FailureType:
    """What the third byte of a code says; `sort` is the group it stands in.

    `fault` is the kind of fault of a circuit that says the same, "" where none does.
    """

    phrase: str
    sort: str
    fault: str
    source: str
    checked: str


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """What one code says.

    `component` and `fault` are ids of the tables, "" where this edition does not explain the
    code; `place` is bank, cylinder or sensor. `standard` is false for codes of the maker and
    reserved ones. `failure` is what a third byte adds, "" without one; `note` warns where
    makers are known to number otherwise.
    """

    code: str
    meaning: str
    family: str
    component: str
    fault: str
    standard: bool
    place: str = ""
    definer: Definer = Definer.STANDARD
    failure: str = ""
    note: str = ""


@cache
def families() -> tuple[Family, ...]:
    """Return all ranges of codes; together they hold every code.

    Raises
    ------
    TableError
        A row is malformed.

    References
    ----------
    SAE-J2012: P0, P2, P34–P3F, C0, B0, U0 and (newer editions) U3 are the standard's; P1, P30–P33,
    C1, C2, B1, B2, U1 and U2 the maker's; C3 and B3 reserved.
    """
    columns = ("first", "last", "name", "definer", "note")
    found = []
    for row in read_rows(package_text(FAMILIES), columns, FAMILIES):
        cells = row.cells
        if len(cells["first"]) != len(cells["last"]):
            raise row.error(f"{cells['first']} and {cells['last']} are of different length")
        try:
            who = Definer(cells["definer"])
        except ValueError as error:
            raise row.error(f"definer: {error}") from None
        found.append(Family(cells["first"], cells["last"], cells["name"], who, cells["note"]))
    return tuple(found)


def failure_types() -> tuple[tuple[int, FailureType], ...]:
    """Return what is publicly known of the third byte, by its value.

    References
    ----------
    SAE-J2012, digital annex: failure types, for codes of three bytes.
    """
    return tuple(_failure_types().items())


@cache
def _failure_types() -> Mapping[int, FailureType]:
    columns = ("byte", "sort", "phrase", "fault", "source", "checked")
    found: dict[int, FailureType] = {}
    for row in read_rows(package_text(FAILURE_TYPES), columns, FAILURE_TYPES):
        number, cells = row.whole("byte", 16), row.cells
        if number > 0xFF or number in found:
            raise row.error(f"{cells['byte']} is no byte, or doubled")
        if cells["fault"] and cells["fault"] not in faults():
            raise row.error(f"unknown kind of fault {cells['fault']!r}")
        found[number] = FailureType(
            cells["phrase"], cells["sort"], cells["fault"], cells["source"], cells["checked"]
        )
    return found


def failure_type(byte: str | None) -> FailureType | None:
    """Return what is publicly known of a third byte, two hexadecimal digits."""
    return _failure_types().get(int(byte, 16)) if byte else None


def failure_words(byte: str | None) -> str:
    """Return what the third byte of a code says, two hexadecimal digits; "" without one."""
    if not byte:
        return ""
    known = failure_type(byte)
    return known.phrase if known else f"failure type {byte}, which no public list explains"


def split_code(text: str) -> tuple[str, str | None]:
    """Return code and failure type of ``P0102``, ``P0562-16`` or ``P056216``, upper case.

    Raises
    ------
    ValueError
        Not the text of a trouble code.
    """
    match = _CODE.fullmatch(text.strip().upper())
    if match is None:
        shown = "".join(c if c.isprintable() else "?" for c in text[:20])
        raise ValueError(f"{shown!r} is not a trouble code such as P0102")
    return match[1], match[2]


@cache
def older_numbering() -> Mapping[str, str]:
    """Return what some codes say where a maker keeps to a numbering before the present one.

    Raises
    ------
    TableError
        A row is no code, stands twice or says nothing.
    """
    columns = ("code", "reads", "source", "checked")
    found: dict[str, str] = {}
    for row in read_rows(package_text(OLDER), columns, OLDER):
        code, reads = row.cells["code"], row.cells["reads"]
        if not _CODE.fullmatch(code) or code in found or not reads:
            raise row.error(f"code: {code!r} is no code, doubled or says nothing")
        found[code] = reads
    return found


def family_of(code: str) -> Family:
    """Return the range that `code` is in."""
    return next(family for family in families() if family.holds(code))


def definer(code: str) -> Definer:
    """Return who defines `code`."""
    return family_of(code).definer


def describe(code: str) -> CodeMeaning:
    """Return what `code` says; honest where this edition, or the standard, says nothing.

    Raises
    ------
    ValueError
        Not the text of a trouble code.
    """
    text, third = split_code(code)
    range_ = family_of(text)
    system = _LETTERS[text[0]]
    family = f"{system}: {range_.name}" if range_.name else system
    failure = failure_words(third)
    older = older_numbering().get(text, "")
    note = _TWO_NUMBERINGS if older else range_.note
    tail = f"; by an older numbering: {older}" if older else ""
    row = code_row(text) if range_.definer is Definer.STANDARD else None
    if row is not None:
        place = f", {row.place}" if row.place else ""
        said = f"{row.component.label}{place}: {row.fault.phrase}{tail}"
        return CodeMeaning(
            text,
            said,
            family,
            row.component.id,
            row.fault.id,
            standard=True,
            place=row.place,
            failure=failure,
            note=note,
        )
    said = {
        Definer.STANDARD: f"in the standard's range ({family}); no public list at hand says what "
        "this number means, so this edition does not explain it",
        Definer.MAKER: f"defined by the vehicle's maker ({family}); its meaning needs the maker's "
        "documents",
        Definer.RESERVED: "in a range that the standard reserves; only the maker can say what it "
        "means",
    }[range_.definer]
    return CodeMeaning(
        text,
        said + tail,
        family,
        component="",
        fault="",
        standard=range_.definer is Definer.STANDARD,
        definer=range_.definer,
        failure=failure,
        note=note,
    )
