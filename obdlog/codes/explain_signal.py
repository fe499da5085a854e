"""What one signal, or one PID with several, means and what to expect of it."""

from __future__ import annotations

from typing import Final

from obdlog.codes.data import components
from obdlog.codes.explanation import Explanation
from obdlog.codes.topics import topic_of, watch
from obdlog.tables import signals
from obdlog.tables.lookups import lookup
from obdlog.tables.signals import Signal
from obdlog.units import shown

_YES_OR_NO: Final = frozenset({"flag", "ready"})
_BITS: Final = frozenset({"flags", "set"})


def explain_signal(name: str) -> Explanation:
    """Return what is known of a signal.

    Raises
    ------
    TableError
        There is no such signal.
    """
    signal, topic = signals.by_name(name), topic_of(name)
    rows = [row for row in signals.by_pid(signal.pid) if row.name == name]
    facts = [("PID", f"{signal.pid:02X} (services 01 and 02)")]
    if signal.unit:
        facts.append(("unit", shown(signal.unit)))
    facts += [("can say", text) for text in dict.fromkeys(map(_range, rows)) if text]
    if topic.expected:
        facts.append(("expected", f"{topic.expected} ({topic.source})"))
    facts += [("at its end", text) for text in _ends(name)]
    if signal.support is not None:
        facts.append(("not available", "where its support bit is clear: no value, not zero"))
    if signal.override is not None:
        facts.append(("scale", f"PID {signal.override.pid:02X} of the same module may change it"))
    facts += [("note", note) for note in dict.fromkeys(row.note for row in rows) if note]
    return Explanation(
        "signal",
        name,
        signal.label,
        topic.meaning,
        tuple(facts),
        topic.causes,
        topic.measure,
        _related(name),
        watch=(watch(name),),
    )


def explain_pid(pid: int) -> Explanation:
    """Return what is known of a PID of the table: its only signal, or the list of its signals."""
    rows = signals.by_pid(pid)
    names = tuple(dict.fromkeys(row.name for row in rows))
    if len(names) == 1:
        return explain_signal(names[0])
    topics = tuple(dict.fromkeys(topic_of(name) for name in names))
    return Explanation(
        "signal",
        f"{pid:02X}",
        f"PID {pid:02X}: {len(names)} signals",
        " ".join(topic.meaning for topic in topics if topic.meaning),
        tuple((name, _in_short(name, rows)) for name in names),
        measure=topics[0].measure if len(topics) == 1 else "",
        related=names,
        watch=tuple(watch(name) for name in names),
    )


def _in_short(name: str, rows: tuple[Signal, ...]) -> str:
    """Return label, range and unit of one of several signals of a PID."""
    mine = [row for row in rows if row.name == name]
    ranges = " or ".join(dict.fromkeys(filter(None, map(_range, mine))))
    return f"{mine[0].label}: {ranges}" if ranges else mine[0].label


def _range(signal: Signal) -> str:
    """Return what the bytes of a signal can say, as text."""
    if signal.codec in _YES_OR_NO:
        return "yes or no"
    if signal.codec == "enum":
        return " · ".join(lookup(signal.lookup).values())
    if signal.codec in _BITS:
        return "any of: " + " · ".join(lookup(signal.lookup).values())
    if signal.low is None or signal.high is None:
        return ""
    unit = f" {shown(signal.unit)}".rstrip()
    step = f", steps of {signal.step:.4g}"
    return f"{_number(signal.low)} to {_number(signal.high)}{unit}{step}"


def _number(value: float) -> str:
    return f"{value:.9g}".replace("-", "−")


def _ends(name: str) -> list[str]:
    """Return what a reading at the end of the range means, once each."""
    rails = [rail for component in components().values() for rail in component.rails]
    ends = watch(name, rails).at_its_end
    return list(dict.fromkeys(f"{end.reading}: {end.meaning}" for end in ends))


def _related(name: str) -> tuple[str, ...]:
    """Return the signals of the circuits that this one belongs to."""
    together = (c.signals for c in components().values() if name in c.signals)
    return tuple(dict.fromkeys(other for group in together for other in group if other != name))
