"""The first page: what happened, in words that need no training."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analysis.compare.codes import modules_of, present_codes, was_read
from analysis.compare.model import Change, CodeChange, Document, ItemVerdict, Verdict
from analysis.report.case import CaseMaterial
from analysis.report.words import counted, module_name
from analysis.report.words import monitor as monitor_name

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
        lit=tuple(_lit(material.before.codes)),
        found=tuple(_found(material.before.codes)),
        done=tuple(_done(material)),
        clear=tuple(_clear(material)),
        waiting=tuple(_waiting(material)),
    )


def _headline(material: CaseMaterial) -> tuple[str, str]:
    items = material.comparison.repair if material.comparison else ()
    if not items:
        if material.before.codes is None:
            return "…", "No code reading is in this case, so nothing can be said about a repair."
        if material.after.codes is None:
            return "…", "The car was read once. There is no second reading to compare it with yet."
        return "…", "No code needed proof of a repair; see the readings below."
    counts = {v: sum(item.verdict is v for item in items) for v in Verdict}
    if counts[Verdict.CONTRADICTED]:
        names = ", ".join(i.item for i in items if i.verdict is Verdict.CONTRADICTED)
        return "✗", f"The evidence speaks against the repair of {names}."
    if not counts[Verdict.NOT_PROVEN]:
        return "✓", "All evidence collected is consistent with a repaired car."
    proven = counts[Verdict.PROVEN]
    start = f"{proven} of {len(items)} items are proven; " if proven else ""
    what = counted(counts[Verdict.NOT_PROVEN], "item is", "items are")
    return "…", f"{start}{what} not proven yet. Nothing seen so far speaks against the repair."


def _lit(codes: Document | None) -> Iterator[str]:
    if codes is None:
        yield "Not known: the lamps were not read before the work."
        return
    modules = modules_of(codes).values()
    lit = [module_name(m) for m in modules if m.get("lamp")]
    if lit:
        yield f"The engine lamp was switched on by: {', '.join(lit)}."
    elif any(m.get("lamp") is False for m in modules):
        yield "No module that was read had the engine lamp switched on."
    else:
        yield "No module reported the state of the engine lamp."
    yield "Other lamps cannot be read this way."


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
        yield f"{counted(len(present), 'trouble code', 'trouble codes')} stored."
    known = {kind for kind, _, _ in kinds}
    for kind, one, many in kinds:
        group = [
            c
            for c in present.values()
            if (str(c.get("judgement")) if c.get("judgement") in known else "undecided") == kind
        ]
        if group:
            listed = "; ".join(
                " ".join(filter(None, (str(c["code"]), _bracketed(c.get("meaning")))))
                for c in group
            )
            yield f"{len(group)} {one if len(group) == 1 else many}: {listed}."


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
    yield from material.notes
    if not (work.unplugged or work.replaced or material.erased_at or material.notes):
        yield "No work was noted."


def _clear(material: CaseMaterial) -> Iterator[str]:
    after = material.after.codes
    if after is None:
        yield "Not known: the codes were not read after the work."
        return
    modules = [m for m in modules_of(after).values() if was_read(m)]
    free = [module_name(m) for m in modules if not _codes_of(after, m)]
    if free:
        yield f"No codes now in: {', '.join(free)}."
    if material.comparison:
        gone = material.comparison.of(Change.GONE)
        if gone:
            yield f"Gone since the first reading: {_listed(gone)}."
        proven = [i for i in material.comparison.repair if i.verdict is Verdict.PROVEN]
        whole = [i.item for i in proven if not i.limit]
        if whole:
            yield f"Proven by reading, monitor and drive: {', '.join(whole)}."
        if limited := [i.item for i in proven if i.limit]:
            yield f"Proven as far as other modules can tell: {', '.join(limited)}."
    lamps = {m.get("lamp") for m in modules}
    if False in lamps and True not in lamps:
        yield "The engine lamp is not switched on by any module that was read."
    if not free and not modules:
        yield "Nothing can be called clear: no module answered."


def _codes_of(codes: Document, module: Document) -> list[str]:
    address = str(module.get("address", ""))
    return [code for where, code, _ in present_codes(codes) if where == address]


def _waiting(material: CaseMaterial) -> Iterator[str]:
    comparison = material.comparison
    if comparison:
        for change, words in (
            (Change.REMAINING, "Still stored"),
            (Change.NEW, "New since the first reading"),
            (Change.NOT_READ_AGAIN, "Not looked for again, because the module did not answer"),
        ):
            if codes := comparison.of(change):
                yield f"{words}: {_listed(codes)}."
        yield from _open_items(comparison.repair)
        yield from (i.limit for i in comparison.repair if i.kind == "work" and i.limit)
    incomplete = sorted(_incomplete(material.after.readiness or material.before.readiness))
    if incomplete:
        yield (
            f"Self-tests that the car has not finished: {', '.join(incomplete)}. Normal driving "
            "finishes most of them within days; some need a night at rest or a steady motorway "
            "drive."
        )
    silent = [module_name(m) for m in modules_of(material.after.codes).values() if not was_read(m)]
    if silent:
        yield f"Not read, so not known to be clear: {', '.join(silent)}."
    if material.after.data is None:
        yield "A road test after the work has not been recorded."
    yield (
        "Before an inspection, let the self-tests finish and have the codes read once more. The "
        "rules differ by place, and this report does not say that the car will pass."
    )


MOST_OPEN_POINTS = 6
"""More than this make no page for an owner; the rest stands in the technician's part."""


def _open_items(items: Sequence[ItemVerdict]) -> Iterator[str]:
    against: dict[str, list[str]] = {}
    missing: dict[str, list[str]] = {}
    for item in items:
        for point in item.requirements:
            if point.met is False and point.contradicts:
                against.setdefault(point.evidence, []).append(item.item)
            elif point.met is not True:
                words = f"“{point.text}” – {point.evidence}"
                missing.setdefault(words, []).append(item.item)
    for evidence, names in against.items():
        yield f"Speaks against the repair of {', '.join(names)}: {evidence}."
    for words, names in list(missing.items())[:MOST_OPEN_POINTS]:
        yield f"Not shown yet for {', '.join(names)}: {words}."
    if len(missing) > MOST_OPEN_POINTS:
        more = len(missing) - MOST_OPEN_POINTS
        yield f"{counted(more, 'further point', 'further points')} in the technician's part."


def _listed(codes: tuple[CodeChange, ...]) -> str:
    return ", ".join(
        dict.fromkeys(
            c.code + (" (only the permanent record)" if c.after == ("permanent",) else "")
            for c in codes
        )
    )


def _incomplete(readiness: Document | None) -> set[str]:
    return {
        monitor_name(str(monitor["monitor"]))
        for module in (readiness or {}).get("modules", ())
        for monitor in module.get("monitors", ())
        if monitor.get("supported") and not monitor.get("complete")
    }
