"""What a code, a signal, a readiness monitor or a part means and what to look at, offline."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Final

from obdlog.codes.data import codes, components
from obdlog.codes.explain_code import NOT_A_PART, explain_code, grouped, runs
from obdlog.codes.explain_signal import explain_pid, explain_signal
from obdlog.codes.explanation import Explanation, UnknownTopicError
from obdlog.codes.judge import caution
from obdlog.codes.meaning import split_code
from obdlog.codes.topics import monitor_topics, watch
from obdlog.codes.work import components_named, match_components
from obdlog.errors import TableError
from obdlog.tables import signals
from obdlog.tables.monitors import monitor_names

__all__ = ["Explanation", "UnknownTopicError", "explain", "explain_all"]

MAX_TEXT: Final = 60
MOST_WORDS: Final = 6

_CODE_LIKE: Final = re.compile(r"[PCBU][0-9A-F]{4}(?:[-:]?[0-9A-F]{2})?", re.IGNORECASE)
_MEANT_AS_CODE: Final = re.compile(r"[PCBU][0-9][0-9A-Z]*(?:[-:][0-9A-Z]*)?", re.IGNORECASE)
_PID_LIKE: Final = re.compile(r"(?:0X|PID ?|01 ?)?([0-9A-F]{2})")
_CODE_FORM: Final = (
    "a trouble code is P, C, B or U, a digit from 0 to 3 and three hexadecimal digits"
)


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
            return explain_code(*split_code(asked))
        except ValueError:
            raise _unknown(asked) from None
    name = asked.upper().replace("-", "_").replace(" ", "_")
    try:
        return explain_signal(name)
    except TableError:
        pass
    monitor = asked.lower().replace("_", "-").replace(" ", "-").removesuffix("-monitor")
    if monitor in _monitors():
        return _explain_monitor(monitor)
    pid = _PID_LIKE.fullmatch(asked.upper())
    if pid is not None and signals.by_pid(int(pid[1], 16)):
        return explain_pid(int(pid[1], 16))
    parts = components_named(asked)
    if parts:
        return _explain_parts(asked, parts)
    raise _unknown(asked)


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
            raise _unknown(rest, _near(rest) or _near(" ".join(words)))
    return tuple(found)


def _unknown(text: str, near: tuple[str, ...] | None = None) -> UnknownTopicError:
    said = f"{text!r} is no code, signal, monitor or part known here"
    if _MEANT_AS_CODE.fullmatch(text):
        said = f"{text!r} is no trouble code: {_CODE_FORM}"
    return UnknownTopicError(said, _near(text) if near is None else near)


def _explain_monitor(name: str) -> Explanation:
    topic = monitor_topics()[name]
    return Explanation(
        "monitor",
        name,
        topic.title,
        topic.meaning,
        (
            ("completes", topic.completes),
            ("drive plan", "where the maker publishes one, that one, not this"),
            ("not complete", "means unknown, not repaired"),
            ("source", "common practice, no source"),
        ),
    )


def _explain_parts(text: str, ids: Sequence[str]) -> Explanation:
    """Return what is known about the parts, systems or modules that one word names."""
    parts = [components()[i] for i in ids]
    named = [code for code, row in codes().items() if row.component in parts]
    facts = [("codes that name it", runs(named) or "none in this edition")]
    led = grouped(tuple(dict.fromkeys(pattern for part in parts for pattern in part.leads_to)))
    if led:
        facts.append(("commonly brings along", "; ".join(f"{g.name} {g.codes}" for g in led)))
    related = tuple(dict.fromkeys(signal for part in parts for signal in part.signals))
    if not related:
        facts.append(
            ("live readings", "none that the standard knows: the maker's means are needed")
        )
    rails = [rail for part in parts for rail in part.rails]
    return Explanation(
        "part",
        text,
        "; ".join(part.label for part in parts),
        NOT_A_PART,
        tuple(facts),
        related=related,
        safety=next(filter(None, map(caution, named)), ""),
        watch=tuple(watch(signal, rails) for signal in related),
        brings_along=led,
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
