"""Requirements of a repair beside its codes: monitors, readings, modules, the drive."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Any

from analysis.compare.codes import (
    modules_of,
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
from analysis.compare.model import Document, Requirement
from analysis.compare.sides import (
    Sides,
    answered_before,
    module_after,
    parse_time,
    read_at_of,
)
from analysis.data import label_of

GRAVE = frozenset({"attention", "stop"})

CONTINUOUS = frozenset({"misfire", "fuel-system", "components"})
"""Monitors that run all the time (SAE J1979 PID 01 byte B)."""

ENGINE_OFF = frozenset({"key-on", "after-soak", "cranking"})
"""Conditions in which a reading inside says nothing about the running engine."""


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
    earlier = answered_before(sides)
    if not earlier:
        return Requirement(text, None, "no module is known from before the work")
    silent = [a for a in earlier if not was_read(module_after(a, sides))]
    if silent:
        # One that was not asked again is not known to be silent.
        asked = any(a in modules_of(sides.after.codes) for a in silent)
        why = f"gave no codes after the work: {sides.titles(silent)}"
        return Requirement(text, False if asked else None, why)
    return Requirement(text, True, "answered: " + sides.titles(earlier))


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
    unread = [a for a in addresses if not was_read(module_after(a, sides))]
    if unread:
        return Requirement(text, None, f"not read after the work: {sides.titles(unread)}")
    late = after.read_late
    if after.read_after_drive and (late is None or late.issuperset(addresses)):
        return Requirement(text, True, "read in a later session of this case")
    times = [parse_time(read_at_of(after.codes, address)) for address in addresses or ("",)]
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


def _words(monitor: str) -> str:
    return monitor.replace("-", " ")
