"""Each service's reply as the part of the ``decode`` command's JSON object that it fills."""

from __future__ import annotations

from collections.abc import Callable

from obdlog.services import (
    current_data,
    freeze_frame,
    onboard_tests,
    oxygen_tests,
    refusals,
    vehicle_info,
)
from obdlog.services.asked import Asked, JsonObject, reading_object
from obdlog.services.code_objects import CODE_DECODERS, code_object
from obdlog.services.code_reply import Code
from obdlog.services.data_objects import info_object, supported_object, test_object
from obdlog.services.module_objects import MODULE_DECODERS

__all__ = ["DECODERS", "Asked", "JsonObject", "fill_refusal", "info_object", "test_object"]

_ERASED = 0x44


def _current_data(reply: bytes, asked: Asked, result: JsonObject) -> None:
    requested = asked.identifiers(0x01)
    items, problem = current_data.split_known(reply, requested, asked.context)
    readings = current_data.readings_of(items, asked.context, asked.bus)
    if not problem or readings:
        result["readings"] = [reading_object(r) for r in readings]
    result["error"] = problem or None


def _freeze_frame(reply: bytes, asked: Asked, result: JsonObject) -> None:
    frames, problem = freeze_frame.parse_freeze_frames(
        reply, asked.context, asked.bus, asked.identifiers(0x02)
    )
    result["readings"] = [
        {**reading_object(r), "frame": f.frame} for f in frames for r in f.readings
    ]
    found = [_frame(frame) for frame in frames]
    result["info"] = found[0] if len(found) == 1 else {"frames": found}
    held = [frame.code for frame in frames if frame.code]
    if held:
        result["codes"] = [code_object(Code(code, None, ("freeze-frame",))) for code in held]
    result["error"] = problem or None


def _frame(frame: freeze_frame.FreezeFrame) -> JsonObject:
    if frame.empty:
        return {"frame": frame.frame, "stored": False}
    return {"frame": frame.frame} | ({"stored": True, "code": frame.code} if frame.code else {})


def _erased(_reply: bytes, _asked: Asked, result: JsonObject) -> None:
    result["info"] = {"cleared": True}


def _oxygen_tests(reply: bytes, asked: Asked, result: JsonObject) -> None:
    if oxygen_tests.is_bitmap(reply):
        result["info"] = supported_object(oxygen_tests.parse_supported_tests(reply))
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


def _onboard_tests(reply: bytes, asked: Asked, result: JsonObject) -> None:
    if onboard_tests.is_bitmap(reply):
        result["info"] = supported_object(onboard_tests.parse_supported_monitors(reply, asked.bus))
        return
    tests, problem = onboard_tests.read_tests(reply, asked.bus)
    result["tests"] = [test_object(test) for test in tests]
    result["error"] = problem or None


def _vehicle_info(reply: bytes, asked: Asked, result: JsonObject) -> None:
    info = vehicle_info.parse_vehicle_info(reply, asked.bus)
    result["info"] = info_object(info)
    result["error"] = info.problem or None


def fill_refusal(reply: bytes, asked: Asked, result: JsonObject) -> None:
    """Fill the object from a negative response."""
    language = asked.language(reply[1]) if len(reply) > 1 else None
    refusal = refusals.parse_refusal(reply, asked.bus, language)
    result["refusal"] = {
        "service": refusal.service,
        "code": refusal.code,
        "meaning": refusal.meaning,
    }


DECODERS: dict[int, Callable[[bytes, Asked, JsonObject], None]] = {
    current_data.REPLY: _current_data,
    freeze_frame.REPLY: _freeze_frame,
    **CODE_DECODERS,
    **MODULE_DECODERS,
    _ERASED: _erased,
    oxygen_tests.REPLY: _oxygen_tests,
    onboard_tests.REPLY: _onboard_tests,
    vehicle_info.REPLY: _vehicle_info,
}
"""What fills the object from each positive reply, by the reply's first byte."""
