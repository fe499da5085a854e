"""What `explain` hands back, whatever it was asked about."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class EndOfRange:
    """A reading at the end of its range, as text, and what it commonly means."""

    reading: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Watch:
    """A signal worth watching; `expected` is "" where no source gives a range.

    `low` and `high` [unit] are what its bytes can say, None where it is no number.
    """

    signal: str
    label: str
    pid: str
    unit: str
    low: float | None
    high: float | None
    expected: str = ""
    source: str = ""
    at_its_end: tuple[EndOfRange, ...] = ()


@dataclass(frozen=True, slots=True)
class Group:
    """Codes that belong together: ``P0170–P0175`` as text, under the name of their circuit."""

    name: str
    codes: str


@dataclass(frozen=True, slots=True)
class ProvingMonitor:
    """A readiness monitor whose run proves a repair, and the driving that completes it."""

    monitor: str
    title: str
    completes: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """What is known about one thing; `kind` is ``code``, ``signal``, ``monitor`` or ``part``.

    `facts` are (name, text) pairs such as unit and range. `causes` stand in order of likelihood.
    `related` are names of signals, `watch` says more of them. `brings_along` are codes that a fault
    here commonly causes, `comes_from` the circuits whose faults commonly cause this one.
    `monitors` and `proof` say what proves a repair, `returns` when the code would be back.
    `driving` and `safety` are "" where nothing special holds.
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
    watch: tuple[Watch, ...] = ()
    brings_along: tuple[Group, ...] = ()
    comes_from: tuple[str, ...] = ()
    monitors: tuple[ProvingMonitor, ...] = ()
    proof: str = ""
    returns: str = ""
    driving: str = ""


class UnknownTopicError(ValueError):
    """Nothing is known by this name; `suggestions` come close."""

    def __init__(self, said: str, suggestions: tuple[str, ...]) -> None:
        near = f"; did you mean {', '.join(suggestions)}?" if suggestions else ""
        super().__init__(said + near)
        self.suggestions = suggestions
