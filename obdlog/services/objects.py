"""Each service's reply as the part of the ``decode`` command's JSON object that it fills."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from obdlog.codes.meaning import describe, failure_words
from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services import (
    codes,
    current_data,
    freeze_frame,
    identifiers,
    onboard_tests,
    oxygen_tests,
    refusals,
    vehicle_info,
)
from obdlog.services.requests import BITMAP_STEP
from obdlog.tables import info_types
from obdlog.tables.decode import Context
from obdlog.vin import check_vin

_ERASED = 0x44
_UDS_ERASED = 0x54

JsonObject = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known about a reply besides its bytes; an empty request is an unknown one."""

    request: bytes
    bus: Bus
    context: Context

    def identifiers(self, service: int) -> list[int] | None:
        """Return the PIDs asked for, None where the request is unknown or another service's."""
        if self.request[:1] != bytes([service]):
            return None
        step = 2 if service == 0x02 else 1
        return list(self.request[1::step]) or None


def _reading(reading: Reading) -> JsonObject:
    return {
        "signal": reading.signal,
        "label": reading.label,
        "value": reading.value,
        "unit": reading.unit,
        "pid": reading.pid,
    }


def _current_data(reply: bytes, asked: Asked, result: JsonObject) -> None:
    requested = asked.identifiers(0x01)
    items, problem = current_data.split_known(reply, requested, asked.context)
    readings = current_data.readings_of(items, asked.context, asked.bus)
    if not problem or readings:
        result["readings"] = [_reading(r) for r in readings]
    result["error"] = problem or None


def _freeze_frame(reply: bytes, asked: Asked, result: JsonObject) -> None:
    frames, problem = freeze_frame.parse_freeze_frames(
        reply, asked.context, asked.bus, asked.identifiers(0x02)
    )
    result["readings"] = [{**_reading(r), "frame": f.frame} for f in frames for r in f.readings]
    found = [_frame(frame) for frame in frames]
    result["info"] = found[0] if len(found) == 1 else {"frames": found}
    held = [frame.code for frame in frames if frame.code]
    if held:
        result["codes"] = [_code(codes.Code(code, None, ("freeze-frame",))) for code in held]
    result["error"] = problem or None


def _frame(frame: freeze_frame.FreezeFrame) -> JsonObject:
    if frame.empty:
        return {"frame": frame.frame, "stored": False}
    return {"frame": frame.frame} | ({"stored": True, "code": frame.code} if frame.code else {})


def _code(code: codes.Code) -> JsonObject:
    return {
        "code": code.text,
        "status": code.status[0] if code.status else None,
        "statuses": list(code.status),
        "failure_type": code.failure_type,
        "failure_meaning": failure_words(code.failure_type) or None,
        "meaning": describe(code.text).meaning,
    }


def _codes(reply: bytes, asked: Asked, result: JsonObject) -> None:
    found = codes.read_codes(reply, asked.bus)
    result["codes"] = [_code(code) for code in found.codes]
    result["error"] = found.problem or None
    told = {
        "readiness_group": _two_digits(found.readiness_group),
        "record": _two_digits(found.record),
        "hex": found.data.hex().upper() or None,
    }
    if any(told.values()):
        result["info"] = {key: value for key, value in told.items() if value is not None}
    if not found.data:
        return
    if reply[1] == codes.SNAPSHOTS and (readings := _snapshot(found.data, asked)):
        result["readings"] = readings
    else:
        result["error"] = "what stands behind the code is not read: only the maker defines it"


def _snapshot(data: bytes, asked: Asked) -> list[JsonObject]:
    """Return the readings of one snapshot made of F4xx alone; of any other only its bytes say."""
    if len(data) < 2:
        return []
    number, count = data[0], data[1]
    try:
        items = identifiers.split_identifiers(bytes([identifiers.REPLY]) + data[2:])
        readings = current_data.readings_of(items, asked.context, asked.bus)
    except DecodeError:
        return []
    return [{**_reading(r), "frame": number} for r in readings] if len(items) == count else []


def _two_digits(number: int | None) -> str | None:
    return None if number is None else f"{number:02X}"


def _erased(_reply: bytes, _asked: Asked, result: JsonObject) -> None:
    result["info"] = {"cleared": True}


def _oxygen_tests(reply: bytes, asked: Asked, result: JsonObject) -> None:
    if oxygen_tests.is_bitmap(reply):
        result["info"] = _supported(oxygen_tests.parse_supported_tests(reply))
        return
    result["tests"] = [
        {
            "monitor_id": None,
            "test_id": t.test_id,
            "scaling_id": None,
            "scaling": t.scaling,
            "value": t.value,
            "low": t.low,
            "high": t.high,
            "unit": t.unit,
            "result": t.result,
            "component": t.sensor,
            "place": t.place(asked.context),
            "name": t.name,
        }
        for t in oxygen_tests.parse_oxygen_tests(reply)
    ]


def _supported(identifiers: Iterable[int]) -> JsonObject:
    return {"supported": [f"{number:02X}" for number in identifiers]}


def _onboard_tests(reply: bytes, asked: Asked, result: JsonObject) -> None:
    if onboard_tests.is_bitmap(reply):
        result["info"] = _supported(onboard_tests.parse_supported_monitors(reply, asked.bus))
        return
    tests, problem = onboard_tests.read_tests(reply, asked.bus)
    result["tests"] = [test_object(test) for test in tests]
    result["error"] = problem or None


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


def _vehicle_info(reply: bytes, asked: Asked, result: JsonObject) -> None:
    info = vehicle_info.parse_vehicle_info(reply, asked.bus)
    result["info"] = info_object(info)
    result["error"] = info.problem or None


def info_object(info: vehicle_info.VehicleInfo) -> JsonObject:
    """Return an item of vehicle information as a JSON object (keys: ``docs/decode.md``)."""
    found: JsonObject = {"info_type": f"{info.info_type:02X}", "name": info.name}
    if info.info_type % BITMAP_STEP == 0:
        return found | _supported(info.supported)
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


def _identifier(reply: bytes, asked: Asked, result: JsonObject) -> None:
    found = identifiers.parse_identifiers(reply, asked.context)
    result["error"] = found.problem or None
    if found.readings:
        result["readings"] = [_reading(r) for r in found.readings]
    elif found.tests or (found.problem and found.info is None):
        result["tests"] = [test_object(test) for test in found.tests]
    elif found.supported is not None:
        result["info"] = {"identifier": found.identifier} | _supported(found.supported)
    elif found.info is not None:
        result["info"] = info_object(found.info)
    else:
        result["info"] = {"identifier": found.identifier, "hex": found.data.hex().upper()}


def fill_refusal(reply: bytes, asked: Asked, result: JsonObject) -> None:
    """Fill the object from a negative response."""
    refusal = refusals.parse_refusal(reply, asked.bus)
    result["refusal"] = {
        "service": refusal.service,
        "code": refusal.code,
        "meaning": refusal.meaning,
    }


DECODERS: dict[int, Callable[[bytes, Asked, JsonObject], None]] = {
    current_data.REPLY: _current_data,
    freeze_frame.REPLY: _freeze_frame,
    **dict.fromkeys(codes.STATUS_OF_REPLY, _codes),
    codes.UDS_REPLY: _codes,
    _ERASED: _erased,
    _UDS_ERASED: _erased,
    oxygen_tests.REPLY: _oxygen_tests,
    onboard_tests.REPLY: _onboard_tests,
    vehicle_info.REPLY: _vehicle_info,
    identifiers.REPLY: _identifier,
}
"""What fills the object from each positive reply, by the reply's first byte."""
