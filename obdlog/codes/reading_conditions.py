"""Conditions on live readings, on the freeze frame and on the supply voltage."""

from __future__ import annotations

from collections.abc import Mapping

from obdlog.codes.data import Rail
from obdlog.codes.facts import Case
from obdlog.codes.found import Condition, Found, number, runs, shown, when
from obdlog.codes.work import said
from obdlog.tables.signals import by_name


def _value(case: Case, rail: Rail) -> float | None:
    """Return the live value that a rail is about, None where it says nothing at present."""
    value = number(case.evidence.readings.get(rail.signal))
    return None if rail.running and not runs(case.evidence.readings.get("RPM")) else value


def plausible_reading(case: Case) -> tuple[str, float, str] | None:
    """Return signal, value and unit of a reading of the code's circuit that is at no rail."""
    rails = case.row.component.rails if case.row else ()
    for rail in rails:
        mine = [other for other in rails if other.signal == rail.signal]
        value = _value(case, rail)
        if value is not None and not any(other.holds(value) for other in mine):
            return rail.signal, value, by_name(rail.signal).unit
    return None


def _at_rail(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where a reading of its circuit stands at the end of its range now."""
    if case.row is None:
        return None
    for rail in case.row.component.rails:
        value = _value(case, rail)
        if value is None or not rail.holds(value):
            continue
        work = [i for i in case.work if i.fits(case.row.component.id, case.row.place)]
        although = f", although this was worked on: {said(work)}" if work else ""
        return {
            "signal": rail.signal,
            "value": shown(value),
            "unit": by_name(rail.signal).unit,
            "although": although,
        }
    return None


def _reads_plausibly(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where a reading of its circuit is a possible value now."""
    found = plausible_reading(case)
    if found is None:
        return None
    signal, value, unit = found
    return {"signal": signal, "value": shown(value), "unit": unit}


def _low_voltage(case: Case, limits: Mapping[str, float]) -> Found:
    """Hold where the supply is below the limit now."""
    voltage = case.evidence.voltage_v
    low = voltage is not None and voltage < limits["low_voltage_v"]
    return when(low, voltage=f"{voltage:.1f}" if voltage is not None else "")


def _low_voltage_in_frame(case: Case, limits: Mapping[str, float]) -> Found:
    """Hold where the supply was low when the code was stored, the engine not cranking."""
    voltage = number(case.code.freeze_frame.get("VPWR"))
    rpm = case.code.freeze_frame.get("RPM")
    # While cranking a low voltage is normal; an engine that runs must hold its voltage.
    if voltage is None or voltage >= limits["low_voltage_v"] or (number(rpm) and not runs(rpm)):
        return None
    return {"voltage": f"{voltage:.1f}"}


CONDITIONS: dict[str, Condition] = {
    "at-rail": _at_rail,
    "reads-plausibly": _reads_plausibly,
    "low-voltage": _low_voltage,
    "low-voltage-in-frame": _low_voltage_in_frame,
}
