"""What a code, a signal, a readiness monitor or a part means and what to look at, offline."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from obdlog.codes.data import code_row, codes, components
from obdlog.codes.judge import caution
from obdlog.codes.meaning import Definer, describe, failure_words, split_code
from obdlog.codes.work import components_named, match_components
from obdlog.errors import TableError
from obdlog.tables import signals
from obdlog.tables.loader import package_text
from obdlog.tables.monitors import monitor_names
from obdlog.units import shown

FILE = "judgement_topics.toml"
MAX_TEXT = 60

MOST_WORDS = 6

_CODE_LIKE = re.compile(r"[PCBU][0-9A-F]{4}(?:[-:]?[0-9A-F]{2})?", re.IGNORECASE)
_MEANT_AS_CODE = re.compile(r"[PCBU][0-9][0-9A-Z]*(?:[-:][0-9A-Z]*)?", re.IGNORECASE)
_CODE_FORM = "a trouble code is P, C, B or U, a digit from 0 to 3 and three hexadecimal digits"
MOST_CODES = 12
_SAME_TOPIC = {
    **{f"SHRTFT{n}": "SHRTFT1" for n in range(2, 5)},
    **{f"LONGFT{n}": "LONGFT1" for n in range(2, 5)},
    **dict.fromkeys(("TP_B", "TP_C"), "TP"),
    **dict.fromkeys(("APP_E", "APP_F"), "APP_D"),
    "FUELSYS2": "FUELSYS1",
}
_NOT_A_PART = "A code names a circuit or a system, not a part."


@dataclass(frozen=True, slots=True)
class Explanation:
    """What is known about one thing; `kind` is ``code``, ``signal``, ``monitor`` or ``part``.

    `causes` stand in order of likelihood. `related` are signals worth watching. `facts` are
    (name, text) pairs such as unit and range. `safety` is "" where nothing special holds.
    """

    kind: str
    name: str
    title: str
    meaning: str
    facts: tuple[tuple[str, str], ...] = ()
    causes: tuple[str, ...] = ()
    measure: str = ""
    related: tuple[str, ...] = ()
    safety: str = ""


class UnknownTopicError(ValueError):
    """Nothing is known by this name; `suggestions` come close."""

    def __init__(self, text: str, suggestions: tuple[str, ...]) -> None:
        near = f"; did you mean {', '.join(suggestions)}?" if suggestions else ""
        said = f"{text!r} is no code, signal, monitor or part known here"
        if _MEANT_AS_CODE.fullmatch(text):
            said = f"{text!r} is no trouble code: {_CODE_FORM}"
        super().__init__(said + near)
        self.suggestions = suggestions


def explain(text: str) -> Explanation:
    """Return what is known about a code (``P0102``), signal (``ECT``, ``0x0C``), monitor or part.

    Raises
    ------
    UnknownTopicError
        Nothing is known by that name. It is a ``ValueError`` and carries suggestions.
    """
    asked = "".join(c if c.isprintable() else "?" for c in text.strip())[:MAX_TEXT]
    if _CODE_LIKE.fullmatch(asked):
        try:
            return _explain_code(*split_code(asked))
        except ValueError:
            raise UnknownTopicError(asked, _near(asked)) from None
    name = asked.upper().replace("-", "_").replace(" ", "_")
    try:
        return _explain_signal(signals.by_name(name))
    except TableError:
        pass
    monitor = asked.lower().replace("_", "-").replace(" ", "-").removesuffix("-monitor")
    if monitor in _monitors():
        return _explain_monitor(monitor)
    by_pid = _by_pid(asked)
    if by_pid is not None:
        return by_pid
    parts = components_named(asked)
    if parts:
        return _explain_parts(asked, parts)
    raise UnknownTopicError(asked, _near(asked))


def explain_all(words: Sequence[str]) -> tuple[Explanation, ...]:
    """Return what is known about each thing that `words` name, the longest names first.

    ``oxygen sensor heater`` is one thing, ``P0102 ECT`` are two.

    Raises
    ------
    UnknownTopicError
        Nothing is known by one of the names.
    """
    try:
        return (explain(" ".join(words)),)
    except UnknownTopicError:
        if len(words) < 2:
            raise
    found: list[Explanation] = []
    left = list(words)
    while left:
        for count in range(min(len(left), MOST_WORDS), 0, -1):
            name = " ".join(left[:count])
            try:
                found.append(explain(name))
            except UnknownTopicError:
                continue
            del left[:count]
            break
        else:
            rest = " ".join(left if found else words)
            raise UnknownTopicError(rest, _near(rest) or _near(" ".join(words)))
    return tuple(found)


def _explain_code(code: str, failure_type: str | None) -> Explanation:
    said = describe(code)
    facts = [("system", said.family), ("defined by", f"the {said.definer}")]
    if said.definer is Definer.RESERVED:
        facts[1] = ("defined by", "nobody yet: a reserved range")
    if failure_type is not None:
        facts.append(("failure type", f"{failure_type}: {failure_words(failure_type)}"))
    if said.note:
        facts.append(("beware", said.note))
    row = code_row(code)
    if row is None:
        return Explanation(
            "code", code, said.meaning, _NOT_A_PART, tuple(facts), safety=caution(code)
        )
    mates = [
        c.label
        for c in components().values()
        if c.connector and c.connector == row.component.connector and c != row.component
    ]
    if mates:
        facts.append(("often shares a plug with", ", ".join(mates)))
    if row.component.reference:
        facts.append(("often shares a supply with", "other sensors on a 5 V reference"))
    if row.component.leads_to:
        led = [c for c in codes() if row.component.leads_to_code(c)]
        facts.append(("commonly brings along", _listed(led)))
    return Explanation(
        "code",
        code,
        said.meaning,
        _NOT_A_PART,
        tuple(facts),
        row.fault.causes,
        row.fault.measure,
        row.component.signals,
        caution(code),
    )


def _explain_signal(signal: signals.Signal) -> Explanation:
    topic = _topics()["signal"].get(_topic_name(signal.name), {})
    facts = [("PID", f"{signal.pid:02X} (services 01 and 02)")]
    if signal.unit:
        facts.append(("unit", shown(signal.unit)))
    if signal.low is not None and signal.high is not None:
        facts.append(("can say", f"{signal.low:g} to {signal.high:g}, steps of {signal.step:g}"))
    if "expected" in topic:
        facts.append(("expected", f"{topic['expected']} ({topic['source']})"))
    related = tuple(
        dict.fromkeys(
            other
            for component in components().values()
            if signal.name in component.signals
            for other in component.signals
            if other != signal.name
        )
    )
    return Explanation(
        "signal",
        signal.name,
        signal.label,
        topic.get("meaning", ""),
        tuple(facts),
        tuple(topic.get("causes", ())),
        topic.get("measure", ""),
        related,
    )


def _topic_name(name: str) -> str:
    wideband = re.fullmatch(r"O2S([3-8])_V", name)
    return "O2S2_V" if wideband else _SAME_TOPIC.get(name, name)


def _explain_monitor(name: str) -> Explanation:
    topic = _topics()["monitor"][name]
    return Explanation(
        "monitor",
        name,
        topic["title"],
        topic["meaning"],
        (
            ("completes", topic["completes"]),
            ("drive plan", "where the maker publishes one, that one, not this"),
            ("not complete", "means unknown, not repaired"),
            ("source", "common practice, no source"),
        ),
    )


def _explain_parts(text: str, ids: Sequence[str]) -> Explanation:
    """Return what is known about the parts, systems or modules that one word names."""
    parts = [components()[i] for i in ids]
    named = [code for code, row in codes().items() if row.component in parts]
    facts = [("codes that name it", _listed(named) or "none in this edition")]
    led = [c for c in codes() if c not in named and any(p.leads_to_code(c) for p in parts)]
    if led:
        facts.append(("commonly brings along", _listed(led)))
    related = tuple(dict.fromkeys(signal for part in parts for signal in part.signals))
    if not related:
        facts.append(
            ("live readings", "none that the standard knows: the maker's means are needed")
        )
    return Explanation(
        "part",
        text,
        "; ".join(part.label for part in parts),
        _NOT_A_PART,
        tuple(facts),
        related=related,
        safety=next(filter(None, map(caution, named)), ""),
    )


def _listed(found: Sequence[str]) -> str:
    more = ", …" if len(found) > MOST_CODES else ""
    return ", ".join(found[:MOST_CODES]) + more


def _by_pid(text: str) -> Explanation | None:
    match = re.fullmatch(r"(?:0X|PID ?|01 ?)?([0-9A-F]{2})", text.upper())
    rows = signals.by_pid(int(match[1], 16)) if match else ()
    if not rows:
        return None
    if len(rows) == 1:
        return _explain_signal(rows[0])
    first = _explain_signal(rows[0])
    names = tuple(dict.fromkeys(row.name for row in rows))
    title = f"PID {rows[0].pid:02X}: {len(names)} signals, first {first.title}"
    return Explanation(
        "signal", f"{rows[0].pid:02X}", title, first.meaning, first.facts, related=names
    )


def _near(text: str) -> tuple[str, ...]:
    if _MEANT_AS_CODE.fullmatch(text):
        digits = text.upper()
        alike = [f"{digits[0]}{first}{digits[2:5]}" for first in "0123"]
        return tuple(code for code in alike if code in codes())
    plain = text.casefold()
    parts = [components()[c] for c in sorted(match_components(text))]
    named = [name for part in parts for name in (*part.signals, *part.aliases) if name in plain]
    named += [signal for part in parts for signal in part.signals]
    stem = plain.rstrip("s")
    named += [a for c in components().values() for a in c.aliases if stem and a.startswith(stem)]
    known = {name.casefold(): name for name in _known()}
    close = difflib.get_close_matches(text.casefold(), list(known), n=3, cutoff=0.6)
    return tuple(dict.fromkeys([*named, *(known[name] for name in close)]))[:3]


def _known() -> Iterator[str]:
    for signal in signals.all_signals():
        yield signal.name
        yield signal.label
    yield from _monitors()
    yield from codes()


@cache
def _monitors() -> frozenset[str]:
    return frozenset(monitor_names("spark")) | frozenset(monitor_names("compression"))


@cache
def _topics() -> Mapping[str, Mapping[str, Mapping[str, Any]]]:
    """Return the topics, checked against the signal table and the monitors' names."""
    try:
        data: dict[str, Any] = tomllib.loads(package_text(FILE))
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"not TOML: {error}", file=FILE) from error
    for name in data["signal"]:
        signals.by_name(name)
    if set(data["monitor"]) != _monitors():
        odd = sorted(set(data["monitor"]) ^ _monitors())
        raise TableError(f"monitors without a topic, or the reverse: {odd}", file=FILE)
    return data
