"""Each service's reply as the part of the ``decode`` command's JSON object that it fills."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from obdlog.codes.meaning import describe
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
    frame = freeze_frame.parse_freeze_frame(
        reply, asked.context, asked.bus, asked.identifiers(0x02)
    )
    result["readings"] = [_reading(r) for r in frame.readings]
    result["info"] = {"frame": frame.frame}
    if frame.empty:
        result["info"]["stored"] = False
    elif frame.code:
        result["info"] |= {"stored": True, "code": frame.code}
        result["codes"] = [_code(codes.Code(frame.code, None, ("freeze-frame",)))]


def _code(code: codes.Code) -> JsonObject:
    return {
        "code": code.text,
        "status": code.status[0] if code.status else None,
        "statuses": list(code.status),
        "failure_type": code.failure_type,
        "meaning": describe(code.text).meaning,
    }


def _codes(reply: bytes, asked: Asked, result: JsonObject) -> None:
    found = codes.read_codes(reply, asked.bus)
    result["codes"] = [_code(code) for code in found.codes]
    result["error"] = found.problem or None


def _erased(_reply: bytes, _asked: Asked, result: JsonObject) -> None:
    result["info"] = {"cleared": True}


def _oxygen_tests(reply: bytes, _asked: Asked, result: JsonObject) -> None:
    if oxygen_tests.is_bitmap(reply):
        supported = oxygen_tests.parse_supported_tests(reply)
        result["info"] = {"supported": [f"{test_id:02X}" for test_id in supported]}
        return
    result["tests"] = [
        {
            "monitor_id": None,
            "test_id": t.test_id,
            "scaling_id": None,
            "value": t.value,
            "low": t.low,
            "high": t.high,
            "unit": t.unit,
            "result": t.result,
            "component": t.sensor,
            "name": t.name,
        }
        for t in oxygen_tests.parse_oxygen_tests(reply)
    ]


def _onboard_tests(reply: bytes, asked: Asked, result: JsonObject) -> None:
    if onboard_tests.is_bitmap(reply):
        found = onboard_tests.parse_supported_monitors(reply, asked.bus)
        result["info"] = {"supported": [f"{mid:02X}" for mid in found]}
        return
    tests, problem = onboard_tests.read_tests(reply, asked.bus)
    result["tests"] = []
    result["error"] = problem or None
    for test in tests:
        row: JsonObject = {
            "monitor_id": test.monitor_id,
            "monitor": test.monitor,
            "test_id": test.test_id,
            "test": test.test,
            "scaling_id": test.scaling_id,
            "value": test.value,
            "low": test.low,
            "high": test.high,
            "unit": test.unit,
            "result": test.result,
        }
        if test.component is not None:
            row["component"] = test.component
        result["tests"].append(row)


def _vehicle_info(reply: bytes, asked: Asked, result: JsonObject) -> None:
    info = vehicle_info.parse_vehicle_info(reply, asked.bus)
    result["info"] = info_object(info)
    result["error"] = info.problem or None


def info_object(info: vehicle_info.VehicleInfo) -> JsonObject:
    """Return one item of vehicle information as a JSON object."""
    found: JsonObject = {"info_type": f"{info.info_type:02X}", "name": info.name}
    if info.supported or info.info_type % 0x20 == 0:
        found["supported"] = [f"{info_type:02X}" for info_type in info.supported]
    elif info.count is not None:
        found["message_count"] = info.count
    elif info.info_type == vehicle_info.VIN:
        found["vin"] = info.items[0] if info.items else None
        if info.items:
            found["vin_check"] = check_vin(info.items[0]).check
    elif info.info_type == vehicle_info.CALIBRATIONS:
        found["calibrations"] = list(info.items)
    elif info.info_type == vehicle_info.CVNS:
        found["cvns"] = list(info.items)
    elif info.info_type in (vehicle_info.SPARK_COUNTERS, vehicle_info.COMPRESSION_COUNTERS):
        found["counters"] = dict(info.counters)
        found["ratios"] = {name: round(float(r), 6) for name, r in info.ratios().items()}
    elif info.info_type == vehicle_info.ECU_NAME:
        found["ecu_name"] = info.items[0] if info.items else None
    else:
        found["text"] = info.items[0] if info.items else None
    return found


def _identifier(reply: bytes, asked: Asked, result: JsonObject) -> None:
    found = identifiers.parse_identifiers(reply, asked.context)
    if found.readings:
        result["readings"] = [_reading(r) for r in found.readings]
    if found.info is not None:
        result["info"] = info_object(found.info)
        result["error"] = found.info.problem or None
    elif not found.readings:
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
