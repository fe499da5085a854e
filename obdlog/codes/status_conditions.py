"""Conditions on the code itself: its sort, its status, whether and when it came back."""

from __future__ import annotations

from collections.abc import Mapping

from obdlog.codes.facts import CONFIRMED, FAILING_NOW, NOT_TESTED, PENDING, PERMANENT, Case
from obdlog.codes.found import ELECTRICAL_SORTS, Condition, Found, number, sort_of, when

_ACTIVE = frozenset({CONFIRMED, PENDING, FAILING_NOW})


def _returned(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it was cleared and is here again."""
    return when(case.returned)


def _not_returned(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it is not known to have come back after clearing."""
    return when(not case.returned)


def _before_any_run(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where the engine has not run since clearing (PID 4E counts its minutes)."""
    minutes = number(case.evidence.readings.get("CLR_TIME"))
    distance = number(case.evidence.readings.get("CLR_DIST"))
    return when(minutes == 0 and not distance)


def _within_first_drive(case: Case, limits: Mapping[str, float]) -> Found:
    """Hold where hardly a warm-up has passed since clearing (PID 30)."""
    warm_ups = number(case.evidence.readings.get("WARM_UPS"))
    return when(warm_ups is not None and warm_ups <= limits["first_drive_warm_ups"])


def _after_several_drives(case: Case, limits: Mapping[str, float]) -> Found:
    """Hold where several warm-ups have passed since clearing (PID 30)."""
    warm_ups = number(case.evidence.readings.get("WARM_UPS"))
    if warm_ups is None or warm_ups <= limits["first_drive_warm_ups"]:
        return None
    return {"warm_ups": f"{warm_ups:.0f}"}


def _electrical(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it names an electrical fault of a circuit or of the network."""
    return when(sort_of(case) in ELECTRICAL_SORTS)


def _network(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it is about communication."""
    return when(sort_of(case) == "network")


def _of_module(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it names the inside of a module."""
    inside = case.row is not None and case.row.component.kind == "module"
    return when(sort_of(case) == "module" or (inside and sort_of(case) == "plausibility"))


def _catalyst(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it names an efficiency below its limit."""
    return when(sort_of(case) == "efficiency")


def _limit(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it says that power or speed was limited."""
    return when(sort_of(case) == "limit")


def _unexplained_meaning(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where this edition does not explain the code."""
    return when(case.row is None)


def _failing_now(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where the module says that it fails now."""
    return when(FAILING_NOW in case.code.statuses)


def _not_failing_now(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where the module does not say that it fails now."""
    return when(FAILING_NOW not in case.code.statuses)


def _confirmed(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it is confirmed or fails now."""
    return when(bool(case.code.statuses & {CONFIRMED, FAILING_NOW}))


def _permanent_only(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where only the permanent memory holds it."""
    return when(PERMANENT in case.code.statuses and not case.code.statuses & _ACTIVE)


def _pending_only(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it is pending and not confirmed."""
    active = case.code.statuses & {CONFIRMED, FAILING_NOW}
    return when(PENDING in case.code.statuses and not active)


def _not_tested(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where the module says that it has not tested this since codes were cleared."""
    return when(NOT_TESTED in case.code.statuses and not case.code.statuses & _ACTIVE)


def _history_only(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it has a status, but neither confirmed, pending nor failing now."""
    return when(bool(case.code.statuses) and not case.code.statuses & _ACTIVE)


CONDITIONS: dict[str, Condition] = {
    "returned": _returned,
    "not-returned": _not_returned,
    "before-any-run": _before_any_run,
    "within-first-drive": _within_first_drive,
    "after-several-drives": _after_several_drives,
    "electrical": _electrical,
    "network": _network,
    "of-module": _of_module,
    "catalyst": _catalyst,
    "limit": _limit,
    "unexplained-meaning": _unexplained_meaning,
    "failing-now": _failing_now,
    "not-failing-now": _not_failing_now,
    "confirmed": _confirmed,
    "permanent-only": _permanent_only,
    "pending-only": _pending_only,
    "not-tested-since-clearing": _not_tested,
    "history-only": _history_only,
}
