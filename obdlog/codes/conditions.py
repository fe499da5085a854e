"""The conditions that rules of judgement name.

Each takes a `Case` and returns None where it does not hold, else what it found for the braces of
the rule's sentence (often nothing).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from obdlog.codes.data import CodeRow, Component, code_row, components
from obdlog.codes.facts import (
    CONFIRMED,
    FAILING_NOW,
    PENDING,
    PERMANENT,
    Case,
    CodeFacts,
    has_returned,
)
from obdlog.codes.meaning import describe
from obdlog.codes.work import WorkItem, said
from obdlog.tables.signals import by_name

Found = dict[str, str] | None
Condition = Callable[[Case, Mapping[str, float]], Found]

_ELECTRICAL_SORTS = frozenset({"electrical", "network"})
_CONNECTED_SORTS = frozenset({"electrical", "plausibility", "network"})
_REFERENCES = tuple(f"reference-{letter}" for letter in "abcdef")
_LOW = "low"
_RUNNING_RPM = 400.0


def _when(holds: bool, **found: str) -> Found:
    return found if holds else None


def _names(found: Iterable[CodeFacts]) -> str:
    return ", ".join(sorted({c.code for c in found}))


def _sort(case: Case) -> str:
    return case.row.fault.sort if case.row else ""


def _returned(case: Case, _: Mapping[str, float]) -> Found:
    return _when(case.returned)


def _not_returned(case: Case, _: Mapping[str, float]) -> Found:
    return _when(not case.returned)


def _no_returned_root(case: Case, _: Mapping[str, float]) -> Found:
    """Hold unless a code that explains this one came back as well."""
    roots = [c for c in _roots(case) if has_returned(c, case.evidence)]
    shared = _low_sisters(case) if case.row and case.row.fault.id == _LOW else ()
    return _when(not roots and not any(has_returned(c, case.evidence) for c in shared))


def _electrical(case: Case, _: Mapping[str, float]) -> Found:
    return _when(_sort(case) in _ELECTRICAL_SORTS)


def _network(case: Case, _: Mapping[str, float]) -> Found:
    return _when(_sort(case) == "network")


def _network_or_supply(case: Case, _: Mapping[str, float]) -> Found:
    return _when(
        case.code.code.startswith("U")
        or (case.row is not None and case.row.component.id in ("supply-voltage", "charging"))
    )


def _at_rail(case: Case, _: Mapping[str, float]) -> Found:
    if case.row is None:
        return None
    readings = case.evidence.readings
    rpm = _number(readings.get("RPM"))
    for rail in case.row.component.rails:
        value = _number(readings.get(rail.signal))
        if value is None or not rail.holds(value) or (rail.running and not _runs(rpm)):
            continue
        touched = _touched(case)
        although = f", although this was worked on: {said(touched)}" if touched else ""
        return {
            "signal": rail.signal,
            "value": f"{value:g}".replace("-", "−"),
            "unit": by_name(rail.signal).unit,
            "although": although,
        }
    return None


def _runs(rpm: float | None) -> bool:
    return rpm is not None and rpm >= _RUNNING_RPM


def _failing_now(case: Case, _: Mapping[str, float]) -> Found:
    return _when(FAILING_NOW in case.code.statuses)


def _not_failing_now(case: Case, _: Mapping[str, float]) -> Found:
    return _when(FAILING_NOW not in case.code.statuses)


def _confirmed(case: Case, _: Mapping[str, float]) -> Found:
    return _when(bool(case.code.statuses & {CONFIRMED, FAILING_NOW}))


def _permanent_only(case: Case, _: Mapping[str, float]) -> Found:
    active = case.code.statuses & {CONFIRMED, PENDING, FAILING_NOW}
    return _when(PERMANENT in case.code.statuses and not active)


def _pending_only(case: Case, _: Mapping[str, float]) -> Found:
    active = case.code.statuses & {CONFIRMED, FAILING_NOW}
    return _when(PENDING in case.code.statuses and not active)


def _history_only(case: Case, _: Mapping[str, float]) -> Found:
    active = case.code.statuses & {CONFIRMED, PENDING, FAILING_NOW}
    return _when(bool(case.code.statuses) and not active)


def _touched(case: Case) -> list[WorkItem]:
    """Return the work on the code's own component at its place."""
    row = case.row
    return [] if row is None else [i for i in case.work if i.fits(row.component.id, row.place)]


def _worked_on(case: Case, _: Mapping[str, float]) -> Found:
    # Work on a part explains its circuit, its plausibility and its silence on the bus. It does
    # not explain a condition such as a misfire or a leak: new parts must cure those.
    items = _touched(case)
    if case.row is None or not items or _sort(case) not in _CONNECTED_SORTS:
        return None
    return {"component": case.row.component.label, "work": said(items)}


def _worked_on_same_plug(case: Case, _: Mapping[str, float]) -> Found:
    row = case.row
    if row is None or not row.component.connector:
        return None
    mates = [c.id for c in components().values() if c.connector == row.component.connector]
    items = [i for i in case.work if any(i.fits(mate, row.place) for mate in mates)]
    return _when(bool(items), component=row.component.label, work=said(items))


def _work_leads_here(case: Case, _: Mapping[str, float]) -> Found:
    items = [
        item
        for item in case.work
        if any(components()[c].leads_to_code(case.code.code) for c in item.components)
    ]
    return _when(bool(items), work=said(items))


def _battery_worked_on(case: Case, _: Mapping[str, float]) -> Found:
    items = [i for i in case.work if "battery" in i.components]
    leads = components()["battery"].leads_to_code(case.code.code)
    return _when(bool(items) and leads, work=said(items))


def _low_on_reference(case: Case, _: Mapping[str, float]) -> Found:
    return _when(_is_low_on_reference(case.row))


def _is_low_on_reference(row: CodeRow | None) -> bool:
    return row is not None and row.fault.id == _LOW and bool(row.component.reference)


def _low_sisters(case: Case) -> tuple[CodeFacts, ...]:
    """Return other low codes on the same supply, of other components."""
    row = case.row
    if row is None or not row.component.reference:
        return ()
    return tuple(
        c
        for c in case.others
        if (sister := code_row(c.code)) is not None
        and _is_low_on_reference(sister)
        and sister.component.reference == row.component.reference
        and sister.component.id != row.component.id
    )


def _reference_code(case: Case, _: Mapping[str, float]) -> Found:
    roots = [c for reference in _REFERENCES for c in case.others_in(reference)]
    together = (case.code, *_low_sisters(case))
    return _when(bool(roots), roots=_names(roots), others=_names(together))


def _several_low_on_reference(case: Case, limits: Mapping[str, float]) -> Found:
    together = (case.code, *_low_sisters(case))
    return _when(len(together) >= limits["shared_reference_codes"], others=_names(together))


def _catalyst(case: Case, _: Mapping[str, float]) -> Found:
    return _when(_sort(case) == "efficiency")


def _misfire_present(case: Case, _: Mapping[str, float]) -> Found:
    roots = case.others_in("misfire")
    return _when(bool(roots), roots=_names(roots))


def _roots(case: Case) -> list[CodeFacts]:
    """Return the other codes, still standing, whose component commonly brings this one along."""
    mine = case.row.component if case.row else None
    return [
        c
        for c in case.others
        if (row := code_row(c.code)) is not None
        and row.component != mine
        and c.statuses & {CONFIRMED, FAILING_NOW}
        and row.component.leads_to_code(case.code.code)
        and not _leads_back(mine, c.code, row.component)
    ]


def _leads_back(mine: Component | None, root: str, component: Component) -> bool:
    """Return whether two components bring each other along; then the electrical one is root."""
    return mine is not None and mine.leads_to_code(root) and mine.id < component.id


def _root_code(case: Case, _: Mapping[str, float]) -> Found:
    roots = _roots(case)
    if not roots:
        return None
    first = min(roots, key=lambda c: c.code)
    return {"roots": _names(roots), "root_meaning": describe(first.code).meaning}


def _scattered(case: Case, limits: Mapping[str, float]) -> Found:
    network = {(c.code, c.module) for c in case.everything if c.code.startswith("U")}
    return _when(len(network) >= limits["scattered_codes"], count=str(len(network)))


def _low_voltage(case: Case, limits: Mapping[str, float]) -> Found:
    voltage = case.evidence.voltage_v
    low = voltage is not None and voltage < limits["low_voltage_v"]
    return _when(low, voltage=f"{voltage:.1f}" if voltage is not None else "")


def _low_voltage_in_frame(case: Case, limits: Mapping[str, float]) -> Found:
    voltage = _number(case.code.freeze_frame.get("VPWR"))
    rpm = _number(case.code.freeze_frame.get("RPM"))
    # While cranking a low voltage is normal; an engine that runs must hold its voltage.
    if voltage is None or voltage >= limits["low_voltage_v"] or (rpm and rpm < _RUNNING_RPM):
        return None
    return {"voltage": f"{voltage:.1f}"}


def _unexplained_meaning(case: Case, _: Mapping[str, float]) -> Found:
    return _when(case.row is None)


def _some_work(case: Case, _: Mapping[str, float]) -> Found:
    return _when(bool(case.work))


def _unexplained_by_work(case: Case, _: Mapping[str, float]) -> Found:
    """Hold always; say that work does not explain the code only where work was stated."""
    if case.work:
        return {"unexplained": "nothing that was unplugged or replaced explains it"}
    return {"unexplained": "no work was stated that could explain it"}


def _both_banks(case: Case, _: Mapping[str, float]) -> Found:
    row = case.row
    if row is None or row.fault.id not in ("lean", "rich") or not row.place.startswith("bank "):
        return None
    twin = "bank 2" if row.place.startswith("bank 1") else "bank 1"
    twins = [
        c
        for c in case.others_in(row.component.id)
        if (other := code_row(c.code)) is not None
        and other.fault == row.fault
        and other.place == twin + row.place[6:]
    ]
    return _when(bool(twins), others=_names([case.code, *twins]))


def _several_report(case: Case, _: Mapping[str, float]) -> Found:
    if case.row is None or case.row.fault.id != "no-communication":
        return None
    mine = case.row.component
    reporters = {
        c.module
        for c in case.everything
        if (row := code_row(c.code)) is not None and row.component == mine
    }
    found = {"count": str(len(reporters)), "component": mine.label}
    return found if len(reporters) >= 2 else None


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


CONDITIONS: dict[str, Condition] = {
    "returned": _returned,
    "not-returned": _not_returned,
    "no-returned-root": _no_returned_root,
    "electrical": _electrical,
    "network": _network,
    "network-or-supply": _network_or_supply,
    "at-rail": _at_rail,
    "failing-now": _failing_now,
    "not-failing-now": _not_failing_now,
    "confirmed": _confirmed,
    "permanent-only": _permanent_only,
    "pending-only": _pending_only,
    "history-only": _history_only,
    "worked-on": _worked_on,
    "worked-on-same-plug": _worked_on_same_plug,
    "work-leads-here": _work_leads_here,
    "battery-worked-on": _battery_worked_on,
    "low-on-reference": _low_on_reference,
    "reference-code": _reference_code,
    "several-low-on-reference": _several_low_on_reference,
    "catalyst": _catalyst,
    "misfire-present": _misfire_present,
    "root-code": _root_code,
    "scattered": _scattered,
    "low-voltage": _low_voltage,
    "low-voltage-in-frame": _low_voltage_in_frame,
    "unexplained-meaning": _unexplained_meaning,
    "some-work": _some_work,
    "unexplained-by-work": _unexplained_by_work,
    "both-banks": _both_banks,
    "several-report": _several_report,
}
"""Conditions by the name that `judgement_rules.toml` uses."""
