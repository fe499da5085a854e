"""Which monitor and which readings speak about a code or a part: rows of `families.csv`.

The ranges follow the groups of SAE J2012, the monitors are those of SAE J1979 PID 01; that a
circuit code belongs to the comprehensive component monitor is how 13 CCR 1968.2(e)(15) divides
the work (from memory). Which readings a part feeds, and the words for it, are common practice
without a source.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import resources

from obdlog.errors import TableError

_FILE = "families.csv"
_COLUMNS = ("first", "last", "component", "monitor", "signals", "checks", "words")
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


@dataclass(frozen=True, slots=True)
class Family:
    """A range of codes about one component.

    Attributes
    ----------
    first, last
        Ends of the range, inclusive.
    component
        What they are about.
    monitors
        Readiness monitors that test it, the first that the car has counts.
    signals
        Readings that it feeds; any of them outside counts against it.
    checks
        Checks of which at least one must be inside before the readings count as proof; empty
        where any check of `signals` does.
    words
        What people call it when they say what they worked on.
    """

    first: str
    last: str
    component: str
    monitors: tuple[str, ...]
    signals: tuple[str, ...]
    checks: tuple[str, ...]
    words: tuple[str, ...]

    def holds(self, code: str) -> bool:
        """Return whether `code` lies in the range."""
        return self.first[0] == code[:1] and self.first <= code <= self.last


@cache
def families() -> tuple[Family, ...]:
    """Return the rows of the table.

    Raises
    ------
    TableError
        When a row breaks the table's rules.
    """
    text = resources.files("analysis.compare").joinpath(_FILE).read_text(encoding="utf-8")
    reader = csv.DictReader(text.splitlines())
    if tuple(reader.fieldnames or ()) != _COLUMNS:
        raise TableError("columns are not " + ", ".join(_COLUMNS), file=_FILE, line=1)
    found: list[Family] = []
    for line, row in enumerate(reader, start=2):
        first, last = row["first"], row["last"]
        if not (_CODE.fullmatch(first) and _CODE.fullmatch(last) and first <= last):
            raise TableError(f"{first}–{last} is not a range of codes", file=_FILE, line=line)
        if found and first <= found[-1].last:
            raise TableError(f"{first} overlaps the row before", file=_FILE, line=line)
        found.append(
            Family(
                first,
                last,
                row["component"],
                _parts(row["monitor"], "|"),
                _parts(row["signals"], ";"),
                _parts(row["checks"], ";"),
                _parts(row["words"], ";"),
            )
        )
    return tuple(found)


def family_of(code: str) -> Family | None:
    """Return the family of `code`, None when the table has none."""
    return next((family for family in families() if family.holds(code)), None)


def families_named(text: str) -> tuple[Family, ...]:
    """Return the families whose words occur in the user's `text`, as whole words."""
    flat = " ".join(re.findall(r"\w+", text.casefold()))
    return tuple(family for family in families() if _mentions(flat, family.words))


def _mentions(text: str, words: Iterable[str]) -> bool:
    return any(re.search(rf"\b{re.escape(word)}s?\b", text) for word in words)


def _parts(text: str, separator: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(separator) if part.strip())
