"""Conditions on what was unplugged or replaced.

They go by what the tables say of a component (its plug, its kind, what it commonly brings along),
never by which component it is: what holds for an airflow meter holds for a dosing valve.
"""

from __future__ import annotations

from collections.abc import Mapping

from obdlog.codes.data import CodeRow, components
from obdlog.codes.facts import Case
from obdlog.codes.found import Condition, Found, shown, sort_of, when
from obdlog.codes.reading_conditions import plausible_reading
from obdlog.codes.work import WorkItem, said

_CONNECTED_SORTS = frozenset({"electrical", "plausibility", "network"})


def touched(case: Case) -> list[WorkItem]:
    """Return the work on the code's own component at its place."""
    row = case.row
    return [] if row is None else [i for i in case.work if i.fits(row.component.id, row.place)]


def _worked_on(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where its own circuit or module was worked on, at its place."""
    # Work on a part explains its circuit, its plausibility and its silence on the bus. It does
    # not explain a condition such as a misfire or a leak: new parts must cure those.
    items = touched(case)
    if case.row is None or not items:
        return None
    if sort_of(case) not in _CONNECTED_SORTS and not _stands_still(case.row, items):
        return None
    now = plausible_reading(case)
    works = f" {now[0]} reads {shown(now[1])} {now[2]} now, a possible value." if now else ""
    return {"component": case.row.component.label, "work": said(items), "now": works}


def _stands_still(row: CodeRow, items: list[WorkItem]) -> bool:
    """Return whether the code says that an actuator did not move, and it was unplugged."""
    unplugged = any(item.done == "unplugged" for item in items)
    return unplugged and row.fault.sort == "mechanical" and row.component.kind == "actuator"


def _worked_on_same_plug(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where work was done on something that shares its plug."""
    row = case.row
    if row is None or not row.component.connector:
        return None
    mates = [c.id for c in components().values() if c.shares_plug(row.component)]
    items = [i for i in case.work if any(i.fits(mate, row.place) for mate in mates)]
    return when(bool(items), component=row.component.label, work=said(items))


def _work_leads_here(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where running with the worked-on part disturbed commonly sets this code.

    A part of the same kind elsewhere has codes of its own: those need work on it.
    """
    own = case.row.component.id if case.row else ""
    items = [
        item
        for item in case.work
        if any(components()[c].leads_to_code(case.code.code) for c in item.components - {own})
    ]
    return when(bool(items), work=said(items))


def _battery_worked_on(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where the battery was off and its loss commonly leaves this code."""
    items = [i for i in case.work if "battery" in i.components]
    leads = components()["battery"].leads_to_code(case.code.code)
    return when(bool(items) and leads, work=said(items))


def _supply_worked_on(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where work interrupted the 12 V supply, of the battery or of a module."""
    items = [i for i in case.work if any(components()[c].on_12_volt for c in i.components)]
    return when(bool(items), work=said(items))


def _some_work(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where any work was stated."""
    return when(bool(case.work))


def _unexplained_by_work(case: Case, _: Mapping[str, float]) -> Found:
    """Hold always; say that work does not explain the code only where work was stated."""
    if case.work:
        return {"unexplained": "nothing that was unplugged or replaced explains it"}
    return {"unexplained": "no work was stated that could explain it"}


CONDITIONS: dict[str, Condition] = {
    "worked-on": _worked_on,
    "worked-on-same-plug": _worked_on_same_plug,
    "work-leads-here": _work_leads_here,
    "battery-worked-on": _battery_worked_on,
    "supply-worked-on": _supply_worked_on,
    "some-work": _some_work,
    "unexplained-by-work": _unexplained_by_work,
}
