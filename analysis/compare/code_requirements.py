"""Requirements of a repair that the codes themselves meet or miss, each with its evidence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from analysis.compare.codes import (
    NOT_A_FAILURE,
    STILL_FAILING,
    modules_of,
    statuses,
    was_read,
)
from analysis.compare.families import Family
from analysis.compare.model import CaseSide, Key, Requirement
from analysis.compare.sides import (
    Sides,
    answered_before,
    module_after,
    when_read,
)


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
    when = when_read(sides.after.codes, address)
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
    if ran is None and not was_read(module_after(address, sides)):
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
    silent = sorted(where for where in roots if not was_read(module_after(where, sides)))
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
    known = dict.fromkeys((*answered_before(sides), *modules_of(sides.after.codes)))
    silent = [a for a in known if not was_read(module_after(a, sides))]
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
    return Requirement(text, True, f"none in the reading{when_read(sides.after.codes)}")


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
    return Requirement(
        text, True, f"none in the reading{when_read(sides.after.codes or {}, address)}"
    )
