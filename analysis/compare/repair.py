"""The verdict on a repair, from requirements that each name their evidence.

*Contradicted* needs something that speaks against the repair: the code came back, or a reading
that the part feeds is outside with severity attention or stop. *Proven* needs every requirement
met. All else is *not proven*, and the requirement says what is missing. "Proven" is the strongest
claim that generic data supports: everything seen is consistent with a repaired fault.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from analysis.compare.codes import (
    module_was_read,
    present_codes,
)
from analysis.compare.drive import (
    summarise_drive,
)
from analysis.compare.families import Family, families_named, family_of
from analysis.compare.model import CaseSide, Document, ItemVerdict, Key, Requirement
from analysis.compare.requirements import (
    Sides,
    driven_enough,
    erased_between,
    modules_answer,
    monitor_ran,
    no_code_of,
    permanent_gone,
    readings_inside,
    root_gone,
    stayed_away,
)
from obdlog.model import Work

NEEDS_NO_PROOF = frozenset({"past"})
"""A code judged as history before the work is nobody's repair."""


def judge_repair(
    before: CaseSide, after: CaseSide, work: Work, *, erased: bool = False
) -> tuple[ItemVerdict, ...]:
    """Return the verdict on each code read before the work, then on each piece of work.

    `erased`: an erase between the sides is on record; otherwise the car's counters are asked.
    """
    drive = summarise_drive(after.data) if after.data is not None else None
    between = True if erased else erased_between(before.readiness, after.readiness)
    sides = Sides(before, after, drive, between)
    earlier = present_codes(before.codes)
    wanted = [k for k, c in sorted(earlier.items(), key=_by_code) if _needs_proof(c)]
    texts = [code for _, code, _ in wanted]
    items = [
        ItemVerdict(
            item=code if texts.count(code) == 1 else f"{code} in module {address}",
            kind="code",
            requirements=tuple(_of_code((address, code, failure_type), sides)),
            limit=_ONE_END.format(address) if code.startswith("U") else "",
        )
        for address, code, failure_type in wanted
    ]
    done = [("unplugged", part) for part in work.unplugged]
    done += [("replaced", part) for part in work.replaced]
    items += [
        ItemVerdict(
            f"{part} ({how})",
            "work",
            tuple(_of_work(part, sides)),
            limit=_limit_of_work(part, sides),
        )
        for how, part in done
    ]
    return tuple(items)


_ONE_END = (
    "This is about communication as module {} sees it; the module at the other end is judged only "
    "where it was read itself."
)
_SEEN_BY_OTHERS = (
    "The {} itself was not read: this verdict is about communication as other modules see it, not "
    "about its own codes, lamps or work."
)


def _limit_of_work(part: str, sides: Sides) -> str:
    """Return what a verdict on a module does not reach that only others spoke about."""
    if families_named(part) or module_was_read(part, sides.after.codes):
        return ""
    named = _codes_naming(part, sides.before.codes)
    seen_by_others = named and all(code.startswith("U") for _, code, _ in named)
    return _SEEN_BY_OTHERS.format(part) if seen_by_others else ""


def _by_code(entry: tuple[Key, Document]) -> tuple[str, str]:
    (address, code, _), _document = entry
    return code, address


def _needs_proof(code: Document) -> bool:
    return str(code.get("judgement") or "") not in NEEDS_NO_PROOF


def _of_code(key: Key, sides: Sides) -> Iterator[Requirement]:
    address, code, _ = key
    family = family_of(code)
    yield stayed_away(key, sides)
    if str(present_codes(sides.before.codes)[key].get("judgement")) == "follow-on":
        yield root_gone(key, sides)
    yield from permanent_gone(key, sides)
    if code.startswith("U"):
        yield modules_answer(sides)
    elif family is None:
        yield Requirement(
            f"The car's own test of {code} has run and passed",
            None,
            "no standard monitor is tied to this code; the maker's own test decides",
        )
    else:
        yield from _of_family(family, address, sides)
    yield from driven_enough(sides)


def _of_work(part: str, sides: Sides) -> Iterator[Requirement]:
    found = families_named(part)
    named = () if found else _codes_naming(part, sides.before.codes)
    if not found and not named:
        yield Requirement(
            f"A reading or a monitor speaks about “{part}”",
            None,
            "generic data cannot be tied to this part; judge it by hand and note how",
        )
        return
    if found:
        yield no_code_of(found, sides)
        for family in found:
            yield from _of_family(family, None, sides)
    unread = "" if module_was_read(part, sides.after.codes) else f"; {part} itself was not read"
    for key in named:
        away = stayed_away(key, sides)
        yield replace(away, evidence=away.evidence + unread) if key[1].startswith("U") else away
    if any(code.startswith("U") for _, code, _ in named):
        yield modules_answer(sides)
    yield from driven_enough(sides)


def _codes_naming(part: str, codes: Document | None) -> tuple[Key, ...]:
    """Return the codes whose meaning holds every word of `part`."""
    words = {word for word in re.findall(r"\w+", part.casefold()) if len(word) > 2}
    return tuple(
        key
        for key, code in present_codes(codes).items()
        if words and words <= set(re.findall(r"\w+", str(code.get("meaning") or "").casefold()))
    )


def _of_family(family: Family, address: str | None, sides: Sides) -> Iterator[Requirement]:
    if family.monitors:
        yield monitor_ran(family, address, sides)
    if family.signals or family.checks:
        yield readings_inside(family, sides)
