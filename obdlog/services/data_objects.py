"""Test results and vehicle information as JSON objects, whichever service carried them."""

from __future__ import annotations

from collections.abc import Iterable

from obdlog.services import onboard_tests, vehicle_info
from obdlog.services.asked import JsonObject
from obdlog.services.requests import BITMAP_STEP
from obdlog.tables import info_types
from obdlog.vin import check_vin


def supported_object(identifiers: Iterable[int]) -> JsonObject:
    """Return the identifiers that a support bitmap names."""
    return {"supported": [f"{number:02X}" for number in identifiers]}


def test_object(test: onboard_tests.TestResult) -> JsonObject:
    """Return a result of service 06 as a JSON object; `component` only where the bus has one."""
    row: JsonObject = {
        "monitor_id": test.monitor_id,
        "monitor": test.monitor,
        "test_id": test.test_id,
        "test": test.test,
        "scaling_id": test.scaling_id,
        "scaling": test.scaling,
        "value": test.value,
        "low": test.low,
        "high": test.high,
        "unit": test.unit,
        "result": test.result,
    }
    return row if test.component is None else {**row, "component": test.component}


def info_object(info: vehicle_info.VehicleInfo) -> JsonObject:
    """Return an item of vehicle information as a JSON object (keys: ``docs/decode.md``)."""
    found: JsonObject = {"info_type": f"{info.info_type:02X}", "name": info.name}
    if info.info_type % BITMAP_STEP == 0:
        return found | supported_object(info.supported)
    kind = info.known
    if kind is None:
        found |= {"hex": info.raw.hex().upper(), "text": info.items[0] if info.items else None}
    elif kind.layout == info_types.MESSAGE_COUNT:
        found[kind.key] = info.count
    elif kind.layout == info_types.COUNTERS:
        found |= _counters(info)
    elif kind.layout in (info_types.NUMBER, info_types.CHOICE):
        found |= {kind.key: info.number, "unit": kind.unit}
        if kind.layout == info_types.CHOICE:
            found["text"] = info.items[0] if info.items else None
    elif info.info_type in (vehicle_info.CALIBRATIONS, vehicle_info.CVNS):
        found[kind.key] = list(info.items)
    else:
        found[kind.key] = info.items[0] if info.items else None
        if info.items[1:]:
            found["more"] = list(info.items[1:])
    if info.info_type == vehicle_info.VIN and info.items:
        found["vin_check"] = check_vin(info.items[0]).check
    if info.info_type == vehicle_info.ECU_NAME and info.items:
        found["ecu_meaning"] = info_types.module_meaning(info.items[0])
    if info.note:
        found["note"] = info.note
    return found


def _counters(info: vehicle_info.VehicleInfo) -> JsonObject:
    found: JsonObject = {
        "counters": dict(info.counters),
        "ratios": {name: round(float(ratio), 6) for name, ratio in info.ratios().items()},
    }
    return found | ({"unnamed_counters": list(info.unnamed)} if info.unnamed else {})
