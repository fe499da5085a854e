"""What one trouble code means and what to look at."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from obdlog.codes.advice import (
    causes_and_measure,
    first_text,
    load_advice,
    proving_monitors,
)
from obdlog.codes.data import (
    CodeRow,
    code_row,
    codes_matching,
    components,
    faults,
)
from obdlog.codes.explanation import Explanation, Group, ProvingMonitor
from obdlog.codes.judge import caution
from obdlog.codes.meaning import CodeMeaning, Definer, describe, failure_type, failure_words
from obdlog.codes.patterns import breadth, matches
from obdlog.codes.topics import monitor_topics, watch
from obdlog.tables import signals
from obdlog.tables.code_text import code_number, code_text

MOST_GROUPS = 8
_PLACE = re.compile(r"bank (\d)(?: sensor (\d))?")
_BANK = re.compile(r"bank \d")
_NARROW = re.compile(r"O2S\d_V")
_SPREAD = re.compile(r"\[([0-9A-F])-([0-9A-F])\]")
_FROM_MEMORY = "no public list at hand names this code; compare with the maker's documents"
_CIRCUITS = ("sensor", "switch", "actuator", "heater")
NOT_A_PART = "A code names a circuit or a system, not a part."
MOST_CODES = 64
"""Numbers that a pattern may stand for and still be listed one by one."""
_NO_MONITOR = (
    "No readiness monitor covers it: it is proven when it stays away after clearing, a key cycle "
    "and a drive like the one that set it."
)
_MONITOR = "No code while that monitor is not complete means unknown, not repaired."


def explain_code(code: str, third: str | None) -> Explanation:
    """Return what is known of `code`, upper case, and of its third byte."""
    said = describe(code)
    facts = [("system", said.family), ("defined by", _definer(said))]
    if third is not None:
        facts.append(("failure type", f"{third}: {failure_words(third)}"))
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
    if groups := grouped(part.leads_to, row.code):
        facts.append(("commonly brings along", _listed(groups)))
    if sources := _sources(row):
        facts.append(("commonly comes from", "; ".join(sources)))
    if row.fault.sort == "network" and part.kind == "module":
        facts.append(
            ("names", "the module that is missed or disbelieved, not the one that reports it")
        )
    causes, measure = causes_and_measure(_refined(row, third))
    monitors = tuple(
        ProvingMonitor(name, topic.title, topic.completes)
        for name in proving_monitors(row)
        if (topic := monitor_topics()[name])
    )
    names = signals_at(row)
    if not names:
        facts.append(("live readings", "none that the standard knows: the maker's are needed"))
    return Explanation(
        "code",
        code,
        said.meaning,
        NOT_A_PART,
        tuple(facts),
        causes,
        measure,
        names,
        caution(code),
        tuple(watch(signal, part.rails) for signal in names),
        groups,
        sources,
        monitors,
        _MONITOR if monitors else _NO_MONITOR,
        load_advice().returns.get(row.fault.sort, ""),
        first_text(load_advice().driving, code),
    )


def _refined(row: CodeRow, third: str | None) -> CodeRow:
    """Return `row` with the kind of fault that the third byte names for a circuit of 12 V or 5 V.

    What the code itself says of a mixture, a misfire or a high-voltage circuit stays.
    """
    known = failure_type(third)
    circuit = row.fault.sort in ("electrical", "plausibility") and row.component.kind in _CIRCUITS
    plain = not row.fault.id.startswith("hv-") and not row.code.startswith("B00")
    if known is None or not known.fault or not (circuit and plain):
        return row
    return replace(row, fault=faults()[known.fault])


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
    return tuple(c.label for c in components().values() if c.shares_plug(row.component))


def _sources(row: CodeRow) -> tuple[str, ...]:
    """Return the circuits whose faults commonly bring this code along, the closest first."""
    found = [c for c in components().values() if c != row.component and c.leads_to_code(row.code)]
    closest = {c: min(breadth(p) for p in c.leads_to if matches(row.code, (p,))) for c in found}
    found.sort(key=closest.__getitem__)
    return tuple(dict.fromkeys(c.label for c in found))


def signals_at(row: CodeRow) -> tuple[str, ...]:
    """Return the signals of the code's circuit at its place: those of its bank, its sensor."""
    place = _PLACE.match(row.place)
    if place is None:
        return row.component.signals
    found = (_at(signal, int(place[1]), int(place[2] or 0)) for signal in row.component.signals)
    return tuple(dict.fromkeys(found))


def _at(name: str, bank: int, sensor: int) -> str:
    """Return the signal of a bank and sensor that belongs with `name`, or `name` itself."""
    if _NARROW.fullmatch(name):
        # PID 13 counts four sensors a bank; where a car has PID 1D its places hold instead.
        return f"O2S{(bank - 1) * 4 + sensor}_V" if bank <= 2 and 1 <= sensor <= 4 else name
    label = signals.by_name(name).label
    wanted = _BANK.sub(f"bank {bank}", label)
    known = signals.pids_by_name()
    others = (f"{name[:at]}{bank}{name[at + 1 :]}" for at, c in enumerate(name) if c.isdigit())
    return next(
        (o for o in others if o in known and signals.by_name(o).label == wanted),
        name,
    )


def grouped(patterns: tuple[str, ...], besides: str = "") -> tuple[Group, ...]:
    """Return the codes that fit `patterns`, those of one circuit together, whole ranges last.

    The code `besides` is left out: nothing brings itself along.
    """
    found: dict[str, list[str]] = {}
    few = tuple(pattern for pattern in patterns if breadth(pattern) <= MOST_CODES)
    for row in codes_matching(few):
        if row.code == besides:
            continue
        found.setdefault(row.component.label, []).append(row.code)
    many = ", ".join(map(_range_text, (p for p in patterns if p not in few)))
    groups = [Group(name, runs(codes)) for name, codes in found.items()]
    return tuple([*groups, Group("codes of the ranges", many)] if many else groups)


def _range_text(pattern: str) -> str:
    """Return ``U00xx to U04xx`` for ``U0[0-4]??``."""
    ends = _SPREAD.search(pattern)
    if ends is None:
        return pattern.replace("?", "x")
    return " to ".join(_SPREAD.sub(end, pattern).replace("?", "x") for end in ends.groups())


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
