"""The owner's page: what is still waiting, and what was only erased."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from analysis.compare.code_requirements import own_test_of
from analysis.compare.codes import modules_of, was_read
from analysis.compare.families import families_named, family_of
from analysis.compare.model import Change, CodeChange, Document, ItemVerdict
from analysis.data import label_of
from analysis.report.case import CaseMaterial
from analysis.report.onboard import failed_tests
from analysis.report.words import counted, listed
from analysis.report.words import monitor as monitor_name
from analysis.report.words import plain_module as name_of
from obdlog.addresses import titled

MOST_OPEN_POINTS = 6
"""More than this make no page for an owner; the rest stands in the technician's part."""

NO_CODE_MEANS_LITTLE = (
    "No code, while self-tests are not known to be complete, means unknown, not repaired."
)


def erased_only(material: CaseMaterial) -> tuple[CodeChange, ...]:
    """Return the codes that went away by the erase alone: faults that no stated work is about."""
    if material.comparison is None or not material.erased_at:
        return ()
    return tuple(
        change
        for change in material.comparison.of(Change.GONE)
        if change.judgement == "fault" and not _worked_on(change, material)
    )


def still_there(material: CaseMaterial) -> tuple[CodeChange, ...]:
    """Return the codes that are still there and that no stated work is about."""
    if material.comparison is None:
        return ()
    return tuple(
        change
        for change in material.comparison.of(Change.REMAINING)
        if change.judgement in ("fault", "undecided") and not _worked_on(change, material)
    )


def _worked_on(change: CodeChange, material: CaseMaterial) -> bool:
    parts = (*material.work.unplugged, *material.work.replaced)
    return any(family.holds(change.code) for part in parts for family in families_named(part))


def waiting(material: CaseMaterial) -> Iterator[str]:
    """Yield what is open, what speaks against the repair, and what was not looked at."""
    comparison = material.comparison
    readiness = material.after.readiness
    if material.after.codes is None and not material.erased_at:
        readiness = readiness or material.before.readiness
    if comparison:
        for change, words in (
            (Change.REMAINING, "Still stored, or stored again"),
            (Change.LAMP_WAITS, "Erased, with a lamp that waits for a key cycle or a drive"),
            (Change.NEW, "New since the first reading"),
            (Change.NOT_READ_AGAIN, "Not looked for again, or not answered"),
        ):
            if codes := comparison.of(change):
                yield f"{words}: {_codes(codes)}."
        only, still = erased_only(material), still_there(material)
        yield from (_erased(change, material) for change in only)
        for left in still:
            yield f"{_with_meaning(left)} was not worked on as far as stated: find its cause."
        told = {c.key for c in (*only, *still)}
        yield from _open_items([i for i in comparison.repair if i.key not in told], material)
        yield from (i.limit for i in comparison.repair if i.kind == "work" and i.limit)
    incomplete = sorted(_incomplete(readiness))
    if incomplete:
        yield (
            f"Self-tests that the car has not finished: {', '.join(incomplete)}. Normal driving "
            "finishes most of them within days; some need a night at rest or a steady motorway "
            "drive. Until then, no code means unknown, not repaired."
        )
    elif material.erased_at and not _known(readiness):
        yield f"The self-tests were not read after the erase. {NO_CODE_MEANS_LITTLE}"
    silent = list(_unread(material))
    if silent:
        yield f"Not read, so not known to be clear: {', '.join(silent)}."
    if material.after.data is None:
        yield "A road test after the work has not been recorded."
    yield (
        "Before an inspection, let the self-tests finish and have the codes read once more. The "
        "rules differ by place, and this report does not say that the car will pass."
    )


def _unread(material: CaseMaterial) -> Iterator[str]:
    """Yield the modules that the case knows and the last reading does not hold."""
    if material.after.codes is None:
        return
    later = modules_of(material.after.codes)
    known = {m.response: m.name for m in material.known_modules}
    known |= {a: name_of(m) for a, m in {**modules_of(material.before.codes), **later}.items()}
    yield from (name for address, name in known.items() if not was_read(later.get(address)))


def _erased(change: CodeChange, material: CaseMaterial) -> str:
    text = f"{_with_meaning(change)} was erased, not repaired as far as stated."
    failed = failed_tests(change.address, change.code, material.tests_before)
    if failed:
        text += f" The car's own test had failed: {'; '.join(t.monitor for t in failed)}."
    complete = own_test_of(change.key, material.after)
    if complete is None:
        complete = _test_complete(change, material.after.readiness)
    if complete:
        return f"{text} Its test has run since without setting it again; watch whether it stays so."
    if complete is None:
        return f"{text} Whether its test has run since is not known: expect it back."
    return f"{text} Its test has not run since the erase: expect it back."


def _with_meaning(change: CodeChange) -> str:
    return f"{change.code} ({change.meaning})" if change.meaning else change.code


def _test_complete(change: CodeChange, readiness: Document | None) -> bool | None:
    """Return whether the monitor of a code is complete, None where that is not known."""
    family = family_of(change.code)
    for module in (readiness or {}).get("modules", ()):
        states = {m.get("monitor"): m for m in module.get("monitors", ()) if m.get("supported")}
        for name in family.monitors if family else ():
            if module.get("address") == change.address and name in states:
                return bool(states[name].get("complete"))
    return None


def _open_items(items: Sequence[ItemVerdict], material: CaseMaterial) -> Iterator[str]:
    against: dict[str, list[str]] = {}
    missing: dict[str, list[str]] = {}
    for item in items:
        for point in item.requirements:
            evidence = _plain(point.evidence, material)
            if point.met is False and point.contradicts:
                against.setdefault(evidence, []).append(_plain(item.item, material))
            elif point.met is not True:
                words = f"“{_plain(point.text, material)}” – {evidence}"
                missing.setdefault(words, []).append(_plain(item.item, material))
    for evidence, names in against.items():
        yield f"Speaks against the repair of {', '.join(names)}: {evidence}."
    for words, names in list(missing.items())[:MOST_OPEN_POINTS]:
        yield f"Not shown yet for {', '.join(names)}: {words}."
    if len(missing) > MOST_OPEN_POINTS:
        more = len(missing) - MOST_OPEN_POINTS
        yield f"{counted(more, 'further point', 'further points')} in the technician's part."


def _plain(text: str, material: CaseMaterial) -> str:
    """Return a technician's sentence with modules and readings called by their names."""
    names = {
        address: name_of(module)
        for side in (material.before.codes, material.after.codes)
        for address, module in modules_of(side).items()
        if address
    }
    for address, name in names.items():
        text = text.replace(titled(name, address), name)
        text = name.join(re.split(rf"\b(?:module )?{re.escape(address)}\b", text))
    return re.sub(r"\b[A-Z][A-Z0-9_]{1,}\b", lambda found: _label(found[0]), text)


def _label(word: str) -> str:
    label = label_of(word)
    return label if label == word else label[:1].lower() + label[1:]


def _codes(codes: tuple[CodeChange, ...]) -> str:
    return listed(
        dict.fromkeys(
            c.code + (" (only the permanent record)" if c.after == ("permanent",) else "")
            for c in codes
        )
    )


def _monitors(readiness: Document | None) -> Iterator[Document]:
    for module in (readiness or {}).get("modules", ()):
        yield from (m for m in module.get("monitors", ()) if m.get("supported"))


def _known(readiness: Document | None) -> bool:
    return any(True for _ in _monitors(readiness))


def _incomplete(readiness: Document | None) -> set[str]:
    return {monitor_name(str(m["monitor"])) for m in _monitors(readiness) if not m.get("complete")}
