"""What conditions of judgement hand back, and the words they share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from obdlog.codes.facts import Case, CodeFacts

Found = dict[str, str] | None
"""What a condition found for the braces of a sentence; None where it does not hold."""
Condition = Callable[[Case, Mapping[str, float]], Found]

ELECTRICAL_SORTS = frozenset({"electrical", "network"})
_RUNNING_RPM = 400.0


def when(holds: bool, **found: str) -> Found:
    """Return what was found where a condition holds."""
    return found if holds else None


def names(found: Iterable[CodeFacts]) -> str:
    """Return codes as text, each once, in order."""
    return ", ".join(sorted({c.code for c in found}))


def sort_of(case: Case) -> str:
    """Return the sort of fault that the code names, "" where this edition does not explain it."""
    return case.row.fault.sort if case.row else ""


def number(value: object) -> float | None:
    """Return a reading that is a number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def runs(rpm: object) -> bool:
    """Return whether an engine speed [rpm] is that of a running engine; not when cranking."""
    speed = number(rpm)
    return speed is not None and speed >= _RUNNING_RPM


def shown(value: float) -> str:
    """Return a number for a sentence."""
    return f"{value:g}".replace("-", "−")
