"""The single requirements of a repair: each looks at one kind of evidence and names it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from analysis.compare.codes import (
    NOT_A_FAILURE,
    STILL_FAILING,
    Codes,
    modules_of,
    pair_codes,
    statuses,
    title_of,
    was_read,
)
from analysis.compare.drive import (
    ENOUGH_IDLE_S,
    ENOUGH_MOVING_S,
    ENOUGH_RUNNING_S,
    MOVING_KMH,
    DriveSummary,
)
from analysis.compare.families import Family
from analysis.compare.model import CaseSide, Document, Key, Requirement
from analysis.data import label_of
from obdlog.model import UNKNOWN_SOURCE

GRAVE = frozenset({"attention", "stop"})

CONTINUOUS = frozenset({"misfire", "fuel-system", "components"})
"""Monitors that run all the time (SAE J1979 PID 01 byte B)."""


ENGINE_OFF = frozenset({"key-on", "after-soak", "cranking"})
"""Conditions in which a reading inside says nothing about the running engine."""


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


def stayed_away(key: Key, sides: Sides) -> Requirement:
    """Return the requirement that a code is neither stored nor pending any more."""
    address, code, _ = key
    module = sides.title(address)
    text = f"{code} is neither stored nor pending in {module} after the work"
    if sides.after.codes is None:
        return Requirement(text, None, "no code reading after the work")
    held = modules_of(sides.after.codes).get(address)
    if not was_read(held):
        said = str((held or {}).get("error") or "no list of its codes")
        return Requirement(text, None, f"{module} was not read after the work: {said}")
    when = _when(sides.after.codes, address)
    left = set(statuses(sides.codes.later.get(key))) - {"permanent"}
    if not left and key in sides.codes.waiting:
        return Requirement(text, None, _lamp_waits(key, sides, when))
    if not left:
        seen = ", ".join(sorted(_seen_earlier(key, sides)))
        back = f"; an earlier reading after the work still showed it ({seen})" if seen else ""
        return Requirement(text, True, f"absent from the reading{when}{back}")
    shown = ", ".join(sorted(left))
    if sides.erased_in(address) is True or left & STILL_FAILING:
        evidence = f"present again ({shown}) in the reading{when}"
        return Requirement(text, False, evidence, contradicts=True)
    return Requirement(
        text, False, f"still stored ({shown}) in the reading{when}; {_no_erase(address, sides)}"
    )


def _lamp_waits(key: Key, sides: Sides, when: str) -> str:
    """Return why a code is listed under which no failure is stored."""
    erased = "erased" if sides.erased_in(key[0]) is True else "not stored any more"
    ran = own_test_of(key, sides.after)
    tested = "its test has run without a failure" if ran else "its test has not run"
    return (
        f"{erased}; listed in the reading{when} only because the lamp waits for a key cycle or a "
        f"drive{'' if ran is None else f'; {tested}'}"
    )


def _seen_earlier(key: Key, sides: Sides) -> frozenset[str]:
    """Return the failures that earlier readings of the later side showed under a code."""
    seen = (s for k, s in sides.after.seen_earlier.items() if _same_code(k, key))
    return frozenset().union(*seen) - NOT_A_FAILURE - {"permanent"}


def _same_code(one: Key, other: Key) -> bool:
    """Return whether two keys mean one code; not every service tells its failure type."""
    return one[:2] == other[:2] and (one[2] == other[2] or None in (one[2], other[2]))


def own_test_of(key: Key, side: CaseSide) -> bool | None:
    """Return whether a module says that its test of a code ran and passed since clearing."""
    said = [ran for k, ran in side.own_tests.items() if _same_code(k, key)]
    return all(said) if said else None


def _no_erase(address: str, sides: Sides) -> str:
    """Return what a code that is merely still stored leaves open, and why."""
    if sides.erased is True:
        return f"no erase of {sides.title(address)} is on record, so this may be the old record"
    if sides.erased is False:
        return "the counters do not show an erase, so this may be the old record"
    return "whether anything was erased in between is not known"


def own_test(key: Key, sides: Sides) -> Requirement:
    """Return the requirement that the module's own test of a code has run and passed."""
    address, code, _ = key
    module = sides.title(address)
    text = f"The own test of {code} in {module} has run and passed since the erase"
    ran = own_test_of(key, sides.after)
    if set(statuses(sides.codes.later.get(key))) - {"permanent"}:
        return Requirement(text, False, "the code is stored: what has run has not passed")
    if ran is None and not was_read(_module_after(address, sides)):
        return Requirement(text, None, f"{module} was not read after the work")
    if ran is None:
        why = "the module does not say, in what was read, whether this test has run"
        return Requirement(text, None, f"{why}; no standard monitor is tied to this code")
    if not ran:
        return Requirement(text, False, "the module says that it has not run since clearing")
    if sides.erased_in(address) is not True:
        why = "complete since clearing; no erase of the module between the readings is on record"
        return Requirement(text, None, f"{why}, so that may be older than the work")
    if _seen_earlier(key, sides):
        return Requirement(text, None, "a reading after the work still showed the code")
    return Requirement(text, True, "the module says: complete since clearing, and never failed")


def permanent_gone(key: Key, sides: Sides) -> Iterator[Requirement]:
    """Yield the requirement that a permanent record is gone, where there is or was one."""
    address, code, _ = key
    text = f"The car itself has removed its permanent record of {code}"
    if "permanent" in statuses(sides.codes.later.get(key)):
        why = "still stored as permanent; only the car's own passed test removes it, no tool does"
        yield Requirement(text, False, why)
    elif "permanent" in statuses(sides.codes.earlier.get(key)):
        if address in (sides.after.permanent_read or ()):
            yield Requirement(text, True, "absent from the permanent codes after the work")
        else:
            why = f"{sides.title(address)} did not give its permanent codes after the work"
            yield Requirement(text, None, why)


def root_gone(key: Key, sides: Sides) -> Requirement:
    """Return the requirement that no code is left which this one could follow from.

    Where the judgement names those codes, only they count.
    """
    text = f"Nothing is left that {key[1]} could follow from"
    if sides.after.codes is None:
        return Requirement(text, None, "no code reading after the work")
    because = str(sides.codes.earlier[key].get("because") or "")
    named = set(_CODE.findall(because)) - {key[1]}
    others = sorted(
        {
            f"{k[1]} (only the permanent record)" if statuses(left) == ("permanent",) else k[1]
            for k, left in sides.codes.later.items()
            if k[1] != key[1] and (not named or k[1] in named)
        }
    )
    if others:
        return Requirement(text, False, "still present: " + ", ".join(others))
    roots = {
        where for where, c, _ in sides.codes.earlier if c != key[1] and (not named or c in named)
    }
    silent = sorted(where for where in roots if not was_read(_module_after(where, sides)))
    if silent:
        return Requirement(text, None, f"not read after the work: {sides.titles(silent)}")
    what = f"{', '.join(sorted(named))} absent from" if named else "no other code in"
    return Requirement(text, True, f"{what} what was read after the work")


_CODE = re.compile(r"\b[PCBU][0-3][0-9A-F]{3}\b")


def no_code_of(found: Sequence[Family], sides: Sides) -> Requirement:
    """Return the requirement that no code about these components is there."""
    names = ", ".join(dict.fromkeys(f.component for f in found))
    text = f"No code about {names} is stored or pending after the work"
    if sides.after.codes is None:
        return Requirement(text, None, "no code reading after the work")
    known = dict.fromkeys((*_answered_before(sides), *modules_of(sides.after.codes)))
    silent = [a for a in known if not was_read(_module_after(a, sides))]
    failed = {
        key: left
        for key, entry in sorted(sides.codes.later.items(), key=lambda item: item[0][1])
        if any(f.holds(key[1]) for f in found) and (left := {*statuses(entry)} - {"permanent"})
    }
    if failed:
        shown = "; ".join(f"{k[1]} {', '.join(sorted(left))}" for k, left in failed.items())
        back = [k for k, left in failed.items() if sides.erased_in(k[0]) or left & STILL_FAILING]
        if back:
            return Requirement(text, False, f"present: {shown}", contradicts=True)
        where = next(iter(failed))[0]
        return Requirement(text, False, f"present: {shown}; {_no_erase(where, sides)}")
    if silent or not modules_of(sides.after.codes):
        missing = sides.titles(silent) or "any module"
        return Requirement(text, None, f"not read after the work: {missing}")
    waiting = sorted({c for _, c, _ in sides.codes.waiting if any(f.holds(c) for f in found)})
    if waiting:
        return Requirement(text, None, f"{', '.join(waiting)}: erased, the lamp waits")
    return Requirement(text, True, f"none in the reading{_when(sides.after.codes)}")


def module_clear(address: str, sides: Sides) -> Requirement:
    """Return the requirement that a module that was worked on holds no code of its own."""
    text = f"{sides.title(address)} itself holds no code after the work"
    left = {
        key[1]: failed
        for key, code in sides.codes.later.items()
        if key[0] == address and (failed := {*statuses(code)} - {"permanent"})
    }
    if left:
        shown = "; ".join(f"{code} {', '.join(sorted(failed))}" for code, failed in left.items())
        again = bool(sides.erased_in(address)) or any(f & STILL_FAILING for f in left.values())
        return Requirement(text, False, f"present: {shown}", contradicts=again)
    waiting = sorted(code for where, code, _ in sides.codes.waiting if where == address)
    if waiting:
        return Requirement(text, None, f"{', '.join(waiting)}: erased, the lamp waits")
    return Requirement(text, True, f"none in the reading{_when(sides.after.codes or {}, address)}")


def monitor_ran(family: Family, address: str | None, sides: Sides) -> Requirement:
    """Return the requirement that the car's own monitor has completed since the work.

    Only the module at `address` speaks for its code. Without one, as for a piece of work, every
    module that has the monitor must have completed it.
    """
    text = f"The car's own monitor of this system ({_words(family.monitors[0])}) has completed"
    if sides.after.readiness is None:
        return Requirement(text, None, "readiness was not read after the work")
    name, states = _monitor(sides.after.readiness, family.monitors, address, "monitors")
    if not states:
        who = sides.title(address) if address else "the car"
        return Requirement(text, None, f"{who} reports no such monitor")
    text = f"The car's own monitor of this system ({_words(name)}) has completed"
    if sides.erased is False:
        # Without an erase in between "complete since clearing" may date from before the work.
        _, now = _monitor(sides.after.readiness, (name,), address, "this_drive")
        states = {where: now.get(where, False) for where in states}
        met = True if all(states.values()) else None
        words = (
            "no erase in between is known, so its completion may be older than the work",
            "complete in this drive",
        )
        return Requirement(f"{text} since the work", met, _by_module(states, words, sides))
    kind = "; it runs continuously" if name in CONTINUOUS else ""
    evidence = _by_module(states, ("not complete yet", "complete since clearing"), sides)
    return Requirement(text, all(states.values()), evidence + kind)


def _by_module(states: Mapping[str, bool], words: tuple[str, str], sides: Sides) -> str:
    return "; ".join(f"{sides.title(a)}: {words[complete]}" for a, complete in states.items())


def _monitor(
    readiness: Document, names: Sequence[str], address: str | None, part: str
) -> tuple[str, dict[str, bool]]:
    """Return the first of `names` that is supported, and its completeness by module."""
    modules = {
        str(m.get("address", "")): {
            str(monitor.get("monitor")): bool(monitor.get("complete"))
            for monitor in m.get(part) or ()
            if monitor.get("supported")
        }
        for m in readiness.get("modules", ())
        if address is None or m.get("address") == address
    }
    for name in names:
        states = {where: held[name] for where, held in modules.items() if name in held}
        if states:
            return name, states
    return names[0], {}


def readings_inside(family: Family, sides: Sides) -> Requirement:
    """Return the requirement that readings about a component are inside their ranges."""
    text = f"Readings about the {family.component} are inside their expected ranges"
    if sides.after.data is None:
        return Requirement(text, None, "no drive was recorded after the work")
    about = [
        f
        for f in sides.after.findings
        if f.check in family.checks or set(_signals(f.signal)) & set(family.signals)
    ]
    grave = [f for f in about if f.verdict == "outside" and f.severity in GRAVE]
    slight = [f for f in about if f.verdict == "outside" and f.severity not in GRAVE]
    inside = [f for f in about if f.verdict == "inside"]
    if grave:
        return Requirement(text, False, "outside: " + _titles(grave), contradicts=True)
    if slight:
        return Requirement(text, False, "outside, to be watched: " + _titles(slight))
    decisive = [f for f in inside if not family.checks or f.check in family.checks]
    driven = [f for f in decisive if f.condition not in ENGINE_OFF]
    if driven:
        return Requirement(text, True, "inside: " + _titles(driven))
    if decisive:
        return Requirement(text, None, "only judged with the engine off: " + _titles(decisive))
    unjudged = [f for f in about if f.verdict == "not-judged"]
    if unjudged:
        reasons = "; ".join(dict.fromkeys(f.because for f in unjudged if f.because))
        return Requirement(text, None, "not judged: " + (reasons or _titles(unjudged)))
    wanted = ", ".join(label_of(signal).lower() for signal in family.signals)
    return Requirement(text, None, f"no check of {wanted or 'it'} could be made on this drive")


def _signals(signal: str | None) -> list[str]:
    return (signal or "").replace(",", " ").replace("/", " ").split()


def _titles(findings: Sequence[Any]) -> str:
    shown = []
    for finding in findings[:4]:
        first = finding.evidence.first_s
        shown.append(str(finding.title) + (f" (from {first:.0f} s)" if first is not None else ""))
    more = len(findings) - len(shown)
    return "; ".join(shown) + (f"; and {more} more" if more > 0 else "")


def modules_answer(sides: Sides) -> Requirement:
    """Return the requirement that every module that answered before answers again."""
    text = "Every module that answered before the work answers after it"
    if sides.after.codes is None:
        return Requirement(text, None, "no code reading after the work")
    earlier = _answered_before(sides)
    if not earlier:
        return Requirement(text, None, "no module is known from before the work")
    silent = [a for a in earlier if not was_read(_module_after(a, sides))]
    if silent:
        # One that was not asked again is not known to be silent.
        asked = any(a in modules_of(sides.after.codes) for a in silent)
        why = f"gave no codes after the work: {sides.titles(silent)}"
        return Requirement(text, False if asked else None, why)
    return Requirement(text, True, "answered: " + sides.titles(earlier))


def _answered_before(sides: Sides) -> list[str]:
    return [a for a, m in modules_of(sides.before.codes).items() if was_read(m)]


def _module_after(address: str, sides: Sides) -> Document | None:
    return modules_of(sides.after.codes).get(address)


def driven_enough(sides: Sides, addresses: Sequence[str] = ()) -> Iterator[Requirement]:
    """Yield the requirements of enough driving, and of codes read after it.

    `addresses` are the modules whose codes matter; without any the reading as a whole counts.
    """
    text = (
        f"Driven enough: {ENOUGH_RUNNING_S / 60:.0f} min with the engine running, "
        f"{ENOUGH_MOVING_S / 60:.0f} min at {MOVING_KMH:.0f} km/h or more, "
        f"{ENOUGH_IDLE_S:.0f} s of unbroken idle"
    )
    if sides.after.data is None or sides.drive is None:
        yield Requirement(text, None, "no drive was recorded after the work")
        return
    yield Requirement(
        text, sides.drive.enough, _drive_words(sides.drive, sides.after.data.path.name)
    )
    yield _read_after_drive(sides, addresses)


def _drive_words(drive: DriveSummary, name: str) -> str:
    parts = [
        ("engine running", drive.running_s),
        (f"at {MOVING_KMH:.0f} km/h or more", drive.moving_s),
        ("longest idle", drive.idle_s),
    ]
    words = [
        f"{what} {seconds:.0f} s" if seconds is not None else f"{what} not known"
        for what, seconds in parts
    ]
    if drive.distance_km is not None:
        words.append(f"{drive.distance_km:.1f} km")
    if drive.unseen_s:
        words.append(f"{drive.unseen_s:.0f} s in gaps not counted")
    return f"{name}: " + ", ".join(words)


def _read_after_drive(sides: Sides, addresses: Sequence[str]) -> Requirement:
    text = "The codes were read again after that drive"
    after = sides.after
    if after.codes is None or after.data is None:
        return Requirement(text, None, "no code reading after the work")
    unread = [a for a in addresses if not was_read(_module_after(a, sides))]
    if unread:
        return Requirement(text, None, f"not read after the work: {sides.titles(unread)}")
    late = after.read_late
    if after.read_after_drive and (late is None or late.issuperset(addresses)):
        return Requirement(text, True, "read in a later session of this case")
    times = [parse_time(_read_at(after.codes, address)) for address in addresses or ("",)]
    known = [at for at in times if at is not None]
    started = parse_time(after.data.header.get("started"))
    if len(known) < len(times) or started is None:
        return Requirement(text, None, "the time of the reading or of the drive is not known")
    ended = started + timedelta(seconds=after.data.end_s)
    read_at = min(known)
    if read_at >= ended:
        return Requirement(text, True, f"read {_span(read_at - ended)} after the drive ended")
    whose = ""
    if late is not None and addresses and after.read_after_drive:
        whose = f"{sides.titles([a for a in addresses if a not in late])}: "
    return Requirement(
        text, False, f"{whose}read {_span(ended - read_at)} before the drive ended: read them again"
    )


def _span(length: timedelta) -> str:
    minutes = length.total_seconds() / 60
    if minutes < 2:
        return f"{length.total_seconds():.0f} s"
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.0f} h"


def parse_time(text: object) -> datetime | None:
    """Return a time with zone from ISO 8601 text, None when it is none or has no zone."""
    try:
        found = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def _read_at(codes: Document, address: str) -> object:
    """Return when a module gave its codes; the time of the whole reading where none is its own."""
    return modules_of(codes).get(address, {}).get("read_at") or codes.get("read_at")


def _when(codes: Document, address: str = "") -> str:
    read_at = parse_time(_read_at(codes, address))
    return f" of {read_at:%Y-%m-%d %H:%M:%S} UTC" if read_at else ""


def _words(monitor: str) -> str:
    return monitor.replace("-", " ")


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
