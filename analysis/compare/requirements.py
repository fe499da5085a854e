"""The single requirements of a repair: each looks at one kind of evidence and names it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from analysis.compare.codes import (
    STILL_FAILING,
    modules_of,
    present_codes,
    statuses,
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

GRAVE = frozenset({"attention", "stop"})

CONTINUOUS = frozenset({"misfire", "fuel-system", "components"})
"""Monitors that run all the time (SAE J1979 PID 01 byte B)."""


ENGINE_OFF = frozenset({"key-on", "after-soak", "cranking"})
"""Conditions in which a reading inside says nothing about the running engine."""


@dataclass(frozen=True)
class Sides:
    """Both sides, and what every item's requirements take from them.

    `erased`: True where an erase lies between the sides, by the record or by the car's counters;
    False where the counters do not show one; None where nothing is known.
    """

    before: CaseSide
    after: CaseSide
    drive: DriveSummary | None
    erased: bool | None


def stayed_away(key: Key, sides: Sides) -> Requirement:
    """Return the requirement that a code is neither stored nor pending any more."""
    address, code, _ = key
    text = f"{code} is neither stored nor pending in module {address} after the work"
    if sides.after.codes is None:
        return Requirement(text, None, "no code reading after the work")
    module = modules_of(sides.after.codes).get(address)
    if not was_read(module):
        said = str((module or {}).get("error") or "it did not answer")
        return Requirement(text, None, f"module {address} was not read after the work: {said}")
    when = _when(sides.after.codes)
    left = set(statuses(present_codes(sides.after.codes).get(key))) - {"permanent"}
    if not left:
        seen = ", ".join(sorted(sides.after.seen_earlier.get(key, frozenset()) - {"permanent"}))
        back = f"; an earlier reading after the work still showed it ({seen})" if seen else ""
        return Requirement(text, True, f"absent from the reading{when}{back}")
    shown = ", ".join(sorted(left))
    if sides.erased is True or left & STILL_FAILING:
        evidence = f"present again ({shown}) in the reading{when}"
        return Requirement(text, False, evidence, contradicts=True)
    return Requirement(
        text, False, f"still stored ({shown}) in the reading{when}; {_no_erase(sides)}"
    )


def _no_erase(sides: Sides) -> str:
    """Return what a code that is merely still stored leaves open, and why."""
    if sides.erased is False:
        return "the counters do not show an erase, so this may be the old record"
    return "whether anything was erased in between is not known"


def permanent_gone(key: Key, sides: Sides) -> Iterator[Requirement]:
    """Yield the requirement that a permanent record is gone, where there is or was one."""
    address, code, _ = key
    text = f"The car itself has removed its permanent record of {code}"
    if "permanent" in statuses(present_codes(sides.after.codes).get(key)):
        why = "still stored as permanent; only the car's own passed test removes it, no tool does"
        yield Requirement(text, False, why)
    elif "permanent" in statuses(present_codes(sides.before.codes).get(key)):
        if address in (sides.after.permanent_read or ()):
            yield Requirement(text, True, "absent from the permanent codes after the work")
        else:
            why = f"module {address} did not give its permanent codes after the work"
            yield Requirement(text, None, why)


def root_gone(key: Key, sides: Sides) -> Requirement:
    """Return the requirement that no code is left which this one could follow from."""
    text = f"Nothing is left that {key[1]} could follow from"
    if sides.after.codes is None:
        return Requirement(text, None, "no code reading after the work")
    others = sorted({code for _, code, _ in present_codes(sides.after.codes) if code != key[1]})
    if others:
        return Requirement(text, False, "still present: " + ", ".join(others))
    roots = {where for where, code, _ in present_codes(sides.before.codes) if code != key[1]}
    silent = sorted(where for where in roots if not was_read(_module_after(where, sides)))
    if silent:
        return Requirement(text, None, f"not read after the work: {', '.join(silent)}")
    return Requirement(text, True, f"no other code in the reading{_when(sides.after.codes)}")


def no_code_of(found: Sequence[Family], sides: Sides) -> Requirement:
    """Return the requirement that no code about these components is there."""
    names = ", ".join(dict.fromkeys(f.component for f in found))
    text = f"No code about {names} is stored or pending after the work"
    if sides.after.codes is None:
        return Requirement(text, None, "no code reading after the work")
    known = dict.fromkeys((*_answered_before(sides), *modules_of(sides.after.codes)))
    silent = [a for a in known if not was_read(_module_after(a, sides))]
    there = {
        code: set(statuses(entry)) - {"permanent"}
        for (_, code, _), entry in present_codes(sides.after.codes).items()
        if any(f.holds(code) for f in found)
    }
    failed = {code: left for code, left in there.items() if left}
    if failed:
        shown = "; ".join(f"{c} {', '.join(sorted(left))}" for c, left in sorted(failed.items()))
        failing = any(left & STILL_FAILING for left in failed.values())
        if sides.erased is True or failing:
            return Requirement(text, False, f"present: {shown}", contradicts=True)
        return Requirement(text, False, f"present: {shown}; {_no_erase(sides)}")
    if silent or not modules_of(sides.after.codes):
        missing = ", ".join(silent) or "any module"
        return Requirement(text, None, f"not read after the work: {missing}")
    return Requirement(text, True, f"none in the reading{_when(sides.after.codes)}")


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
        who = f"module {address}" if address else "the car"
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
        return Requirement(f"{text} since the work", met, _by_module(states, words))
    kind = "; it runs continuously" if name in CONTINUOUS else ""
    evidence = _by_module(states, ("not complete yet", "complete since clearing"))
    return Requirement(text, all(states.values()), evidence + kind)


def _by_module(states: Mapping[str, bool], words: tuple[str, str]) -> str:
    return "; ".join(f"module {where}: {words[complete]}" for where, complete in states.items())


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
        return Requirement(text, False, "silent: " + ", ".join(silent))
    return Requirement(text, True, "answered: " + ", ".join(earlier))


def _answered_before(sides: Sides) -> list[str]:
    return [a for a, m in modules_of(sides.before.codes).items() if was_read(m)]


def _module_after(address: str, sides: Sides) -> Document | None:
    return modules_of(sides.after.codes).get(address)


def driven_enough(sides: Sides) -> Iterator[Requirement]:
    """Yield the requirements of enough driving, and of codes read after it."""
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
    yield _read_after_drive(sides)


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


def _read_after_drive(sides: Sides) -> Requirement:
    text = "The codes were read again after that drive"
    if sides.after.codes is None or sides.after.data is None:
        return Requirement(text, None, "no code reading after the work")
    if sides.after.read_after_drive:
        return Requirement(text, True, "read in a later session of this case")
    read_at = parse_time(sides.after.codes.get("read_at"))
    started = parse_time(sides.after.data.header.get("started"))
    if read_at is None or started is None:
        return Requirement(text, None, "the time of the reading or of the drive is not known")
    ended = started + timedelta(seconds=sides.after.data.end_s)
    if read_at >= ended:
        return Requirement(text, True, f"read {_span(read_at - ended)} after the drive ended")
    return Requirement(
        text, False, f"read {_span(ended - read_at)} before the drive ended: read them again"
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


def _when(codes: Document) -> str:
    read_at = parse_time(codes.get("read_at"))
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
