"""What people should know of signals and monitors (``tables/judgement_topics.toml``)."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from functools import cache
from typing import Final

import msgspec

from obdlog.codes.data import Rail
from obdlog.codes.explanation import EndOfRange, Watch
from obdlog.errors import TableError
from obdlog.tables import signals
from obdlog.tables.loader import package_text
from obdlog.units import shown

FILE: Final = "judgement_topics.toml"


class Topic(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is known of a signal and of those that `also` names by pattern.

    `expected` is a screening range with its condition, `source` says where it comes from.
    `low_end` and `high_end` say what a reading at the end of the range commonly means.
    """

    meaning: str = ""
    also: tuple[str, ...] = ()
    expected: str = ""
    source: str = ""
    low_end: str = ""
    high_end: str = ""
    causes: tuple[str, ...] = ()
    measure: str = ""


class MonitorTopic(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a readiness monitor looks at, and the driving that usually completes it."""

    title: str
    meaning: str
    completes: str


class Topics(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All of the file: topics by signal and by monitor."""

    signal: Mapping[str, Topic]
    monitor: Mapping[str, MonitorTopic]


def topic_of(signal: str) -> Topic:
    """Return the topic of a signal, an empty one where there is none."""
    found = signal_topics()
    if signal in found:
        return found[signal]
    near = (t for t in found.values() if any(fnmatchcase(signal, also) for also in t.also))
    return next(near, Topic())


def signal_topics() -> Mapping[str, Topic]:
    """Return the topics by signal."""
    return load_topics().signal


def monitor_topics() -> Mapping[str, MonitorTopic]:
    """Return the topics by monitor."""
    return load_topics().monitor


@cache
def load_topics() -> Topics:
    """Return the topics that ship with the package."""
    return parse_topics(package_text(FILE))


def parse_topics(text: str, file: str = FILE) -> Topics:
    """Return topics from TOML.

    Raises
    ------
    TableError
        Not TOML, an unknown key or signal, or a range without its source.
    """
    try:
        topics = msgspec.convert(tomllib.loads(text), Topics)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise TableError(f"not topics: {error}", file=file) from error
    known = signals.pids_by_name()
    for name, topic in topics.signal.items():
        if name not in known:
            raise TableError(f"there is no signal {name!r}", file=file)
        if bool(topic.expected) is not bool(topic.source):
            raise TableError(f"{name}: a range and its source stand together", file=file)
    return topics


def watch(name: str, rails: Sequence[Rail] = ()) -> Watch:
    """Return what to know when watching a signal; `rails` are ends of its range that mean a fault.

    Raises
    ------
    TableError
        There is no such signal.
    """
    signal, topic = signals.by_name(name), topic_of(name)
    unit = shown(signal.unit)
    ends = tuple(
        EndOfRange(_end(rail, unit), said)
        for rail in rails
        if rail.signal == name and (said := _means(rail, signal, topic))
    )
    return Watch(
        name,
        signal.label,
        f"{signal.pid:02X}",
        unit,
        signal.low if signal.numeric else None,
        signal.high if signal.numeric else None,
        topic.expected,
        topic.source,
        ends,
    )


def _end(rail: Rail, unit: str) -> str:
    compare = {"=": "", ">=": " or more", "<=": " or less"}[rail.compare]
    running = " with the engine running" if rail.running else ""
    return f"{rail.value:g} {unit}{compare}{running}".replace("-", "−")


def _means(rail: Rail, signal: signals.Signal, topic: Topic) -> str:
    middle = ((signal.low or 0.0) + (signal.high or 0.0)) / 2
    return topic.low_end if rail.value < middle else topic.high_end
