"""Both sides of a comparison, and what every requirement takes from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from analysis.compare.codes import (
    Codes,
    modules_of,
    pair_codes,
    title_of,
    was_read,
)
from analysis.compare.drive import (
    DriveSummary,
)
from analysis.compare.model import CaseSide, Document
from obdlog.model import UNKNOWN_SOURCE


@dataclass(frozen=True)
class Sides:
    """Both sides, and what every item's requirements take from them.

    `erased`: True where an erase lies between the sides, by the record or by the car's counters;
    False where the counters do not show one; None where nothing is known. `erased_modules` are
    those that accepted an erase on record, None where that is not known.
    """

    before: CaseSide
    after: CaseSide
    drive: DriveSummary | None
    erased: bool | None
    erased_modules: frozenset[str] | None = None

    @cached_property
    def codes(self) -> Codes:
        """Codes of both sides under the same keys."""
        return pair_codes(self.before.codes, self.after.codes)

    def erased_in(self, address: str) -> bool | None:
        """Return whether the module was erased between the sides; each can be erased alone."""
        if self.erased is not True or self.erased_modules is None:
            return self.erased
        return not self.erased_modules.isdisjoint({address, UNKNOWN_SOURCE})

    def title(self, address: str) -> str:
        """Return the name and address of a module."""
        return title_of(address, self.after.codes, self.before.codes)

    def titles(self, addresses: Sequence[str]) -> str:
        """Return the names and addresses of modules."""
        return ", ".join(map(self.title, addresses))


def answered_before(sides: Sides) -> list[str]:
    """Return the addresses of the modules that gave their codes before the work."""
    return [a for a, m in modules_of(sides.before.codes).items() if was_read(m)]


def module_after(address: str, sides: Sides) -> Document | None:
    """Return what a module said of its codes after the work, None where it was not read."""
    return modules_of(sides.after.codes).get(address)


def parse_time(text: object) -> datetime | None:
    """Return a time with zone from ISO 8601 text, None when it is none or has no zone."""
    try:
        found = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def read_at_of(codes: Document, address: str) -> object:
    """Return when a module gave its codes; the time of the whole reading where none is its own."""
    return modules_of(codes).get(address, {}).get("read_at") or codes.get("read_at")


def when_read(codes: Document, address: str = "") -> str:
    """Return when codes were read, as it follows "the reading"; empty where it is not known."""
    read_at = parse_time(read_at_of(codes, address))
    return f" of {read_at:%Y-%m-%d %H:%M:%S} UTC" if read_at else ""


def erased_between(before: Document | None, after: Document | None) -> bool | None:
    """Return whether the car's counters show an erase between the two readings.

    Warm-ups, distance and minutes since clearing only grow; a smaller figure means that they
    were reset (SAE J1979 PIDs 30, 31, 4E). Equal or larger figures, with at least one above zero
    before, do not show an erase; long after one they have outgrown the old ones, so they never
    speak against an erase that is on record.
    """
    names = ("warm_ups_since_clear", "distance_since_clear_km", "minutes_since_clear")
    earlier, later = ((side or {}).get("counters") or {} for side in (before, after))
    pairs = [
        (earlier[name], later[name])
        for name in names
        if earlier.get(name) is not None and later.get(name) is not None
    ]
    if any(now < then for then, now in pairs):
        return True
    return False if any(then > 0 for then, _ in pairs) else None
