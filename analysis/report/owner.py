"""The first page: what happened, in words that need no training."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analysis.compare.codes import modules_of, pair_codes, present_codes, statuses, was_read
from analysis.compare.model import Change, Comparison, Document, ItemVerdict, Verdict
from analysis.report.case import CaseMaterial
from analysis.report.owner_open import erased_only, still_there, waiting
from analysis.report.words import counted, listed
from analysis.report.words import plain_module as name_of
from obdlog.model import UNKNOWN_SOURCE

IF_A_LAMP_RETURNS = (
    "Red lamp, or a warning for oil pressure, overheating, brakes or steering: stop as soon as it "
    "is safe and do not drive on.",
    "Engine lamp flashing: ease off the accelerator at once; driving on can destroy the catalyst "
    "and, in the worst case, start a fire.",
    "Engine lamp steady: note when it came on, the weather and what you were doing. Have the codes "
    "read before anybody erases them, and bring this report.",
    "Airbag, brake or high-voltage warning: leave it to licensed practice. This report says "
    "nothing about those systems unless their module is listed as read.",
)


@dataclass(frozen=True, slots=True)
class OwnerPage:
    """The owner's page, part by part; each part is a tuple of sentences."""

    headline: str
    symbol: str
    lit: tuple[str, ...]
    found: tuple[str, ...]
    done: tuple[str, ...]
    clear: tuple[str, ...]
    waiting: tuple[str, ...]
    advice: tuple[str, ...] = IF_A_LAMP_RETURNS


def owner_page(material: CaseMaterial) -> OwnerPage:
    """Return the owner's page of a case; nothing is called clear that was not read."""
    symbol, headline = _headline(material)
    return OwnerPage(
        headline=headline,
        symbol=symbol,
        lit=(*_lit(material.before.codes), *(f"Reported: {note}" for note in material.notes)),
        found=tuple(_found(material.before.codes)),
        done=tuple(_done(material)),
        clear=tuple(_clear(material)),
        waiting=tuple(waiting(material)),
    )


def _headline(material: CaseMaterial) -> tuple[str, str]:
    items = material.comparison.repair if material.comparison else ()
    if not items:
        if material.before.codes is None:
            return "…", "No code reading is in this case, so nothing can be said about a repair."
        if material.after.codes is None:
            return "…", "The car was read once. There is no second reading to compare it with yet."
        return "…", "No code needed proof of a repair; see the readings below."
    # A code and the work that answers it are one thing: codes are counted, work is told in words.
    codes, work = ([i for i in items if (i.kind == "code") is wanted] for wanted in (True, False))
    unworked = {c.key for c in still_there(material)}
    against = _of([i for i in codes if i.key not in unworked], Verdict.CONTRADICTED)
    against = against or _of(work, Verdict.CONTRADICTED)
    if against:
        return "✗", f"The evidence speaks against the repair of {', '.join(against)}."
    if left := _of(codes, Verdict.CONTRADICTED):
        verb = "is" if len(left) == 1 else "are"
        text = f"{listed(left)} {verb} there again, and no stated work was about it."
        others = [i for i in codes if i.verdict is not Verdict.CONTRADICTED]
        proven = sum(i.verdict is Verdict.PROVEN for i in others)
        if others:
            text += f" Of {counted(len(others), 'other code', 'other codes')} "
            text += f"{proven or 'none'} proven gone."
        return "✗", text
    open_codes, open_work = (_of(some, Verdict.NOT_PROVEN) for some in (codes, work))
    if not open_codes and not open_work:
        left = list(_left_open(material))
        if left:
            return "…", f"{_proven(material, codes)}, but {'; '.join(left)}."
        return "✓", "All evidence collected is consistent with a repaired car."
    return "…", " ".join(_not_yet(material, codes, open_codes, open_work))


def _proven(material: CaseMaterial, codes: list[ItemVerdict]) -> str:
    """Return what is proven where every item is, in words that reach no further than that."""
    remaining = material.comparison.of(Change.REMAINING) if material.comparison else ()
    if codes and not remaining and not any(item.limit for item in codes):
        return "The codes first found are proven gone"
    return "Everything that needed proof is proven"


def _left_open(material: CaseMaterial) -> Iterator[str]:
    """Yield what is open beside the items that need proof."""
    comparison = material.comparison
    if comparison is None:
        return
    for change, words in ((Change.NEW, "new"), (Change.REMAINING, "still stored")):
        if found := dict.fromkeys(c.code for c in comparison.of(change)):
            yield f"{listed(found)} {'is' if len(found) == 1 else 'are'} {words}"
    if unworked := sorted({c.code for c in erased_only(material)}):
        was = "was" if len(unworked) == 1 else "were"
        yield f"{listed(unworked)} {was} erased, not repaired as far as stated"
    if _lamp_on(material.after.codes):
        yield "the engine lamp is on"


def _lamp_on(codes: Document | None) -> bool:
    return any(m.get("lamp") for m in modules_of(codes).values() if not _own_lamp(m))


def _not_yet(
    material: CaseMaterial, codes: list[ItemVerdict], open_codes: list[str], open_work: list[str]
) -> Iterator[str]:
    unworked = {c.code for c in erased_only(material)}
    if codes:
        yield f"{counted(len(codes), 'trouble code', 'trouble codes')} to clear up:"
        proven = [i for i in codes if i.verdict is Verdict.PROVEN]
        parts = [
            (sum(not i.limit for i in proven), "proven gone"),
            (sum(bool(i.limit) for i in proven), "gone as far as other modules can tell"),
            (len(open_codes), "not proven yet"),
        ]
        yield ", ".join(f"{count} {words}" for count, words in parts if count) + "."
    if unworked:
        was = "was" if len(unworked) == 1 else "were"
        yield f"{listed(sorted(unworked))} {was} erased, not repaired as far as stated."
    elif open_work and not open_codes:
        yield f"Not shown yet: {', '.join(open_work)}."
    new = material.comparison.of(Change.NEW) if material.comparison else ()
    if not (unworked or new or _lamp_on(material.after.codes)):
        yield "Nothing seen so far speaks against the repair."


def _of(items: list[ItemVerdict], verdict: Verdict) -> list[str]:
    return [i.item for i in items if i.verdict is verdict]


def _lit(codes: Document | None) -> Iterator[str]:
    if codes is None:
        yield "Not known: the lamps were not read before the work."
        return
    modules = [*modules_of(codes).values()]
    asking = [name_of(m) for m in modules if m.get("lamp") and _own_lamp(m)]
    modules = [m for m in modules if not _own_lamp(m)]
    lit = [name_of(m) for m in modules if m.get("lamp")]
    if lit:
        yield f"The engine lamp was switched on by: {', '.join(lit)}."
    elif any(m.get("lamp") is False for m in modules):
        yield "No module that was read had the engine lamp switched on."
    else:
        yield "No module reported the state of the engine lamp."
    if asking:
        yield f"A lamp of their own was asked for by: {', '.join(asking)}."
    yield "Lamps of modules that were not read are not known."


def _own_lamp(module: Document) -> bool:
    """Return whether a module told of a lamp by its codes, not of the engine lamp."""
    return module.get("lamp_source") == "codes"


def _found(codes: Document | None) -> Iterator[str]:
    if codes is None:
        yield "Not known: no codes were read before the work."
        return
    present = present_codes(codes)
    read = [m for m in modules_of(codes).values() if was_read(m)]
    if not present:
        yield f"No trouble codes in {counted(len(read), 'module', 'modules')} that answered."
    kinds = (
        ("fault", "looks like a fault", "look like faults"),
        ("after-effect", "is consistent with the work done", "are consistent with the work done"),
        ("follow-on", "follows from another code", "follow from other codes"),
        ("past", "is an old record", "are old records"),
        ("undecided", "could not be decided", "could not be decided"),
    )
    if present:
        how = [_how_stored(code) for code in present.values()]
        parts = [f"{how.count(kind)} {kind}" for kind in KINDS_OF_RECORD if kind in how]
        yield f"{counted(len(present), 'trouble code', 'trouble codes')}: {', '.join(parts)}."
    known = {kind for kind, _, _ in kinds}
    for kind, one, many in kinds:
        group = [
            c
            for c in present.values()
            if (str(c.get("judgement")) if c.get("judgement") in known else "undecided") == kind
        ]
        if group:
            named = Counter(
                " ".join(filter(None, (str(c["code"]), _bracketed(c.get("meaning")))))
                for c in group
            )
            shown = "; ".join(f"{text}{_times(count)}" for text, count in named.items())
            yield f"{len(group)} {one if len(group) == 1 else many}: {shown}."


KINDS_OF_RECORD = ("stored", "pending", "only as a permanent record")


def _how_stored(code: Document) -> str:
    found = set(statuses(code))
    if found <= {"pending"}:
        return "pending"
    return "only as a permanent record" if found <= {"permanent"} else "stored"


def _times(count: int) -> str:
    """Return in how many modules the same code was found, where there are several."""
    return f" in {count} modules" if count > 1 else ""


def _bracketed(meaning: object) -> str:
    return f"({meaning})" if meaning else ""


def _done(material: CaseMaterial) -> Iterator[str]:
    work = material.work
    if work.unplugged:
        yield f"Unplugged during the work: {', '.join(work.unplugged)}."
    if work.replaced:
        yield f"Replaced: {', '.join(work.replaced)}."
    if material.erased_at:
        times = len(material.erased_at)
        again = f" The case shows {times} erases." if times > 1 else ""
        yield f"The stored codes were saved first and then erased.{again}"
        if left := list(_not_erased(material)):
            yield f"Not erased: what is stored in {', '.join(left)}."
    if material.erases_unanswered:
        yield "An erase of the codes was sent; whether the car carried it out is not known."
    if not (work.unplugged or work.replaced or material.erased_at or material.erases_unanswered):
        yield "No work was noted."


def _not_erased(material: CaseMaterial) -> Iterator[str]:
    """Yield the modules with codes of which no accepted erase is on record."""
    if not material.erased_modules or UNKNOWN_SOURCE in material.erased_modules:
        return
    holding = dict.fromkeys(address for address, _, _ in present_codes(material.before.codes))
    for address in holding:
        if address not in material.erased_modules:
            yield name_of(modules_of(material.before.codes)[address])


def _clear(material: CaseMaterial) -> Iterator[str]:
    after = material.after.codes
    if after is None:
        yield "Not known: the codes were not read after the work."
        return
    modules = [m for m in modules_of(after).values() if was_read(m)]
    waiting = {address for address, _, _ in pair_codes(None, after).waiting}
    free = [
        name_of(m) for m in modules if not _codes_of(after, m) and m.get("address") not in waiting
    ]
    if free:
        yield f"No codes now in: {', '.join(free)}."
    if material.comparison:
        yield from _gone(material, material.comparison)
    lamps = {m.get("lamp") for m in modules if not _own_lamp(m)}
    if False in lamps and True not in lamps:
        yield "The engine lamp is not switched on by any module that was read."
    if out := list(_no_longer_asking(material)):
        yield f"No longer asking for a lamp: {', '.join(out)}. Whether it is out, look yourself."
    if not free and not modules:
        yield "Nothing can be called clear: no module answered."


def _no_longer_asking(material: CaseMaterial) -> Iterator[str]:
    earlier = modules_of(material.before.codes)
    for address, now in modules_of(material.after.codes).items():
        asked = earlier.get(address, {})
        if was_read(now) and _own_lamp(asked) and asked.get("lamp") and now.get("lamp") is False:
            yield name_of(now)


def _gone(material: CaseMaterial, comparison: Comparison) -> Iterator[str]:
    """Yield what stayed away, by how far the evidence reaches."""
    gone = comparison.of(Change.GONE)
    proven = [i for i in comparison.repair if i.verdict is Verdict.PROVEN]
    whole, limited = ([i for i in proven if bool(i.limit) is some] for some in (False, True))
    if codes := _code_names(whole):
        yield f"Proven gone, every requirement met: {', '.join(codes)}."
    if work := [i.item for i in whole if i.kind != "code"]:
        yield f"What was seen is consistent with sound work on: {', '.join(work)}."
    codes = _code_names(limited)
    reporters = listed(dict.fromkeys(c.module for c in gone if c.code.startswith("U")))
    verb = "report" if " and " in reporters else "reports"
    if work := [i.item for i in limited if i.kind != "code"]:
        codes_too = f", {', '.join(codes)}" if codes else ""
        yield (
            f"{', '.join(work)}{codes_too}: {reporters or 'other modules'} no longer {verb} it "
            "missing; the module itself was not read."
        )
    elif codes:
        yield (
            f"{', '.join(codes)}: {reporters or 'other modules'} no longer {verb} it; the module "
            "that it speaks about was not read."
        )
    told = {i.key for i in proven} | {c.key for c in erased_only(material)}
    rest = [c.code for c in gone if c.key not in told]
    if rest:
        yield f"Not stored any more, but not proven to be repaired: {listed(dict.fromkeys(rest))}."


def _code_names(items: Sequence[ItemVerdict]) -> list[str]:
    """Return the codes of items, each once, with the number of modules where there are several."""
    found = Counter(item.key[1] for item in items if item.key is not None)
    return [f"{code}{_times(count)}" for code, count in found.items()]


def _codes_of(codes: Document, module: Document) -> list[str]:
    address = str(module.get("address", ""))
    return [code for where, code, _ in present_codes(codes) if where == address]
