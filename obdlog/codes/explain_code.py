"""What one trouble code means and what to look at."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from obdlog.codes.advice import (
    causes_and_measure,
    first_text,
    load_advice,
    proving_monitors,
)
from obdlog.codes.data import CodeRow, code_row, codes_matching, components
from obdlog.codes.explanation import Explanation, Group, ProvingMonitor
from obdlog.codes.judge import caution
from obdlog.codes.meaning import CodeMeaning, Definer, describe, failure_words
from obdlog.codes.topics import monitor_topics, watch
from obdlog.tables.code_text import code_number, code_text

MOST_GROUPS = 8
_FROM_MEMORY = "no public list at hand names this code; compare with the maker's documents"
NOT_A_PART = "A code names a circuit or a system, not a part."
_NO_MONITOR = (
    "no readiness monitor covers it: it is proven when it stays away after clearing, a key cycle "
    "and a drive like the one that set it"
)


def explain_code(code: str, failure_type: str | None) -> Explanation:
    """Return what is known of `code`, upper case, and of its third byte."""
    said = describe(code)
    facts = [("system", said.family), ("defined by", _definer(said))]
    if failure_type is not None:
        facts.append(("failure type", f"{failure_type}: {failure_words(failure_type)}"))
    if said.note:
        facts.append(("beware", said.note))
    row = code_row(code)
    if row is None:
        return _unexplained(said, facts)
    part = row.component
    if not row.listed:
        facts.append(("beware", _FROM_MEMORY))
    if mates := _mates(row):
        facts.append(("often shares a plug with", ", ".join(mates)))
    if part.reference:
        facts.append(("often shares a supply with", "other sensors on a 5 V reference"))
    if groups := grouped(part.leads_to):
        facts.append(("commonly brings along", _listed(groups)))
    if sources := _sources(row):
        facts.append(("commonly comes from", "; ".join(sources)))
    if part.kind == "module":
        facts.append(("names", "the module that is spoken of, not the one that reports it"))
    causes, measure = causes_and_measure(row)
    monitors = tuple(
        ProvingMonitor(name, topic.title, topic.completes)
        for name in proving_monitors(row)
        if (topic := monitor_topics()[name])
    )
    if not monitors:
        facts.append(("proof of repair", _NO_MONITOR))
    return Explanation(
        "code",
        code,
        said.meaning,
        NOT_A_PART,
        tuple(facts),
        causes,
        measure,
        part.signals,
        caution(code),
        tuple(watch(signal, part.rails) for signal in part.signals),
        groups,
        sources,
        monitors,
        load_advice().returns.get(row.fault.sort, ""),
        first_text(load_advice().driving, code),
    )


def _definer(said: CodeMeaning) -> str:
    if said.definer is Definer.RESERVED:
        return "nobody yet: a reserved range"
    return f"the {said.definer}"


def _unexplained(said: CodeMeaning, facts: list[tuple[str, str]]) -> Explanation:
    """Return what can honestly be said of a code without a meaning here."""
    advice = load_advice()
    if text := first_text(advice.structure, said.code):
        facts.append(("its digits say", text))
    return Explanation(
        "code",
        said.code,
        said.meaning,
        NOT_A_PART,
        tuple(facts),
        advice.unexplained.causes,
        advice.unexplained.measure,
        safety=caution(said.code),
        driving=first_text(advice.driving, said.code),
    )


def _mates(row: CodeRow) -> tuple[str, ...]:
    """Return the other circuits that share the plug of this one on many vehicles."""
    mine = row.component
    if not mine.connector:
        return ()
    mates = (c.label for c in components().values() if c.connector == mine.connector)
    return tuple(label for label in mates if label != mine.label)


def _sources(row: CodeRow) -> tuple[str, ...]:
    """Return the circuits whose faults commonly bring this code along."""
    found = (c for c in components().values() if c != row.component and c.leads_to_code(row.code))
    return tuple(dict.fromkeys(c.label for c in found))


def grouped(patterns: tuple[str, ...]) -> tuple[Group, ...]:
    """Return the codes that fit `patterns`, those of one circuit together."""
    found: dict[str, list[str]] = {}
    for row in codes_matching(patterns):
        found.setdefault(row.component.label, []).append(row.code)
    return tuple(Group(name, runs(codes)) for name, codes in found.items())


def runs(codes: Iterable[str]) -> str:
    """Return codes as text, those in a row as one: ``P0170–P0175, P0299``."""
    found: list[list[int]] = []
    for number in sorted(map(code_number, codes)):
        if found and number == found[-1][-1] + 1:
            found[-1].append(number)
        else:
            found.append([number])
    return ", ".join(
        code_text(run[0]) + (f"–{code_text(run[-1])}" if len(run) > 1 else "") for run in found
    )


def _listed(groups: Sequence[Group]) -> str:
    more = f"; and {len(groups) - MOST_GROUPS} more circuits" if len(groups) > MOST_GROUPS else ""
    return "; ".join(f"{one.name} {one.codes}" for one in groups[:MOST_GROUPS]) + more
