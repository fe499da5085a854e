"""The verdict on a repair, from requirements that each name their evidence.

*Contradicted* needs something that speaks against the repair: the code came back, or a reading
that the part feeds is outside with severity attention or stop. *Proven* needs every requirement
met. All else is *not proven*, and the requirement says what is missing. "Proven" is the strongest
claim that generic data supports: everything seen is consistent with a repaired fault.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from analysis.compare.code_requirements import (
    module_clear,
    no_code_of,
    own_test,
    own_test_of,
    permanent_gone,
    root_gone,
    stayed_away,
)
from analysis.compare.codes import module_was_read, modules_named, modules_of, was_read
from analysis.compare.drive import summarise_drive
from analysis.compare.families import Family, families_named, family_of
from analysis.compare.model import CaseSide, Document, ItemVerdict, Key, Requirement
from analysis.compare.requirements import (
    driven_enough,
    modules_answer,
    monitor_ran,
    readings_inside,
)
from analysis.compare.sides import Sides, erased_between
from obdlog.model import Work

NEEDS_NO_PROOF = frozenset({"past"})
"""A code judged as history before the work is nobody's repair."""


def judge_repair(
    before: CaseSide,
    after: CaseSide,
    work: Work,
    *,
    erased: bool = False,
    erased_modules: frozenset[str] | None = None,
) -> tuple[ItemVerdict, ...]:
    """Return the verdict on each code read before the work, then on each piece of work.

    `erased`: an erase between the sides is on record; otherwise the car's counters are asked.
    `erased_modules` are the addresses that accepted it, None where that is not known.
    """
    drive = summarise_drive(after.data) if after.data is not None else None
    between = True if erased else erased_between(before.readiness, after.readiness)
    sides = Sides(before, after, drive, between, erased_modules)
    earlier = sides.codes.earlier
    wanted = [k for k, c in sorted(earlier.items(), key=_by_code) if _needs_proof(c)]
    items = [
        ItemVerdict(
            item=name,
            kind="code",
            requirements=tuple(_of_code(key, sides)),
            limit=_limit_of_code(key, sides),
            key=key,
        )
        for key, name in zip(wanted, _names(wanted, sides), strict=True)
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
    "This is about communication as {} sees it; the module at the other end is judged only "
    "where it was read itself."
)
_SEEN_BY_OTHERS = (
    "The {} itself was not read{}: this verdict is about communication as other modules see it, "
    "not about its own codes, lamps or work."
)


def _limit_of_code(key: Key, sides: Sides) -> str:
    """Return what a verdict on a network code does not reach; nothing where both ends were read."""
    if not key[1].startswith("U"):
        return ""
    meaning = str(sides.codes.earlier[key].get("meaning") or "")
    other_end = re.sub(r"\(.*?\)", "", meaning.partition(":")[0])
    if modules_named(other_end, sides.after.codes):
        return ""
    return _ONE_END.format(sides.title(key[0]))


def _limit_of_work(part: str, sides: Sides) -> str:
    """Return what a verdict on a module does not reach that only others spoke about."""
    if families_named(part) or module_was_read(part, sides.after.codes):
        return ""
    named = _codes_naming(part, sides)
    seen_by_others = named and all(code.startswith("U") for _, code, _ in named)
    return _SEEN_BY_OTHERS.format(part, _under_that_name(sides)) if seen_by_others else ""


def _under_that_name(sides: Sides) -> str:
    """Return what to add where a module that was read has no name: it may be the one meant."""
    read = (m for m in modules_of(sides.after.codes).values() if was_read(m))
    nameless = any(str(m.get("name")) == f"module {m.get('address')}" for m in read)
    return " under that name" if nameless else ""


def _names(keys: Sequence[Key], sides: Sides) -> Iterator[str]:
    """Yield a name for each code: with its module or failure type where it needs them."""
    texts = Counter(code for _, code, _ in keys)
    within = Counter((address, code) for address, code, _ in keys)
    for address, code, failure_type in keys:
        name = f"{code}-{failure_type}" if within[address, code] > 1 and failure_type else code
        several = texts[code] > within[address, code]
        yield f"{name} in {sides.title(address)}" if several else name


def _by_code(entry: tuple[Key, Document]) -> tuple[str, str, str]:
    (address, code, failure_type), _document = entry
    return code, address, failure_type or ""


def _needs_proof(code: Document) -> bool:
    return str(code.get("judgement") or "") not in NEEDS_NO_PROOF


def _of_code(key: Key, sides: Sides) -> Iterator[Requirement]:
    address, code, _ = key
    family = family_of(code)
    yield stayed_away(key, sides)
    if str(sides.codes.earlier[key].get("judgement")) == "follow-on":
        yield root_gone(key, sides)
    yield from permanent_gone(key, sides)
    if code.startswith("U"):
        # The generic services do not tell whether a network test ran; who answers again does.
        yield modules_answer(sides)
        if own_test_of(key, sides.after) is not None:
            yield own_test(key, sides)
    elif family is None:
        yield own_test(key, sides)
    else:
        yield from _of_family(family, address, sides)
    yield from driven_enough(sides, (address,))


def _of_work(part: str, sides: Sides) -> Iterator[Requirement]:
    found = families_named(part)
    named = () if found else _codes_naming(part, sides)
    if not found and not named and not module_was_read(part, sides.after.codes):
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
    themselves = modules_named(part, sides.after.codes)
    for address in themselves:
        yield module_clear(address, sides)
    unread = (
        ""
        if module_was_read(part, sides.after.codes)
        else (f"; {part} itself was not read{_under_that_name(sides)}")
    )
    for key in named:
        away = stayed_away(key, sides)
        yield replace(away, evidence=away.evidence + unread) if key[1].startswith("U") else away
    if any(code.startswith("U") for _, code, _ in named):
        yield modules_answer(sides)
    speakers = dict.fromkeys((*themselves, *(address for address, _, _ in named)))
    yield from driven_enough(sides, tuple(speakers))


def _codes_naming(part: str, sides: Sides) -> tuple[Key, ...]:
    """Return the codes whose meaning holds every word of `part`."""
    words = {word for word in re.findall(r"\w+", part.casefold()) if len(word) > 2}
    return tuple(
        key
        for key, code in sides.codes.earlier.items()
        if words and words <= set(re.findall(r"\w+", str(code.get("meaning") or "").casefold()))
    )


def _of_family(family: Family, address: str | None, sides: Sides) -> Iterator[Requirement]:
    if family.monitors:
        yield monitor_ran(family, address, sides)
    if family.signals or family.checks:
        yield readings_inside(family, sides)
