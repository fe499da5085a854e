"""Service 22 of ISO 14229-1 where identifiers carry SAE J1979 data (F4xx, F6xx, F8xx, F190)."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services import vehicle_info
from obdlog.services.current_data import readings_of
from obdlog.services.layout import check_reply, split_items
from obdlog.services.onboard_tests import TestResult, read_identified_tests
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.tables import decode, signals

REPLY = 0x62
_CURRENT_DATA = 0xF4
_TESTS = 0xF6
_VEHICLE_INFO = 0xF8
_VIN = 0xF190


@dataclass(frozen=True, slots=True)
class Identified:
    """What a service 22 reply carries; `data` are the bytes where nothing else is known.

    `supported` are the monitors that a bitmap names (F600, F620 …), None for all other replies.
    `problem` says what in the reply is wrong.
    """

    identifier: str
    data: bytes
    readings: tuple[Reading, ...] = ()
    tests: tuple[TestResult, ...] = ()
    supported: tuple[int, ...] | None = None
    info: vehicle_info.VehicleInfo | None = None
    problem: str = ""


def parse_identifiers(payload: bytes, context: decode.Context = decode.EMPTY) -> Identified:
    """Return the readings, test results or information of a service 22 reply.

    Raises
    ------
    DecodeError
        Not a service 22 reply, cut short, or of unknown lengths.

    References
    ----------
    ISO 14229-1, identifiers F400–F4FF, F600–F6FF, F800–F8FF and F190; SAE J1979-2 (from memory).
    """
    check_reply(payload, REPLY, least=4)
    identifier = int.from_bytes(payload[1:3], "big")
    family, low = payload[1], payload[2]
    data = payload[3:]
    name = f"{identifier:04X}"
    if family == _CURRENT_DATA:
        return Identified(name, data, readings_of(split_identifiers(payload), context, Bus.CAN))
    if family == _TESTS:
        return _tests(name, low, data)
    if family == _VEHICLE_INFO:
        info = vehicle_info.parse_item(low, data, Bus.CAN, count_may_lack=True)
        return Identified(name, data, info=info, problem=info.problem)
    if identifier == _VIN:
        info = vehicle_info.parse_item(vehicle_info.VIN, data, Bus.CAN, count_may_lack=True)
        return Identified(name, data, info=info, problem=info.problem)
    return Identified(name, data)


def split_identifiers(payload: bytes) -> tuple[tuple[int, bytes], ...]:
    """Return the (PID, data) pairs of a service 22 reply of current data (F4xx).

    Raises
    ------
    DecodeError
        Not such a reply, or no known lengths add up to it.
    """
    check_reply(payload, REPLY, least=4)
    items = split_items(payload[1:], _lengths, id_bytes=2)
    return tuple((found & 0xFF, value) for found, value in items if found >> 8 == _CURRENT_DATA)


def _tests(name: str, monitor_id: int, data: bytes) -> Identified:
    if monitor_id % BITMAP_STEP == 0:
        if len(data) != 4:
            raise DecodeError("a support bitmap has 4 bytes", payload=data)
        return Identified(name, data, supported=supported_pids(monitor_id, data))
    tests, problem = read_identified_tests(monitor_id, data)
    return Identified(name, data, tests=tests, problem=problem)


def _lengths(identifier: int) -> tuple[int, ...]:
    return signals.lengths(identifier & 0xFF) if identifier >> 8 == _CURRENT_DATA else ()
