"""Service 06: results of the vehicle's own tests against the maker's limits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.layout import check_reply
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.tables import uasid
from obdlog.tables.lookups import lookup

REPLY = 0x46
PASS, FAIL, NOT_RUN = "pass", "fail", "not-run"

_CAN_RECORD = 9
_LEGACY_RECORD = 6
_BITMAP_RECORD = 5
_LIMIT_IS_LOW = 0x80
_MAKERS_MONITORS = range(0xE1, 0x100)
_MAKERS_TESTS = range(0x80, 0xFF)
_OXYGEN_SENSORS = range(0x01, 0x13)
_MISFIRE = range(0xA1, 0xB2)


@dataclass(frozen=True, slots=True)
class TestResult:
    """One test result; identifiers are two hex digits, None where the bus has none.

    `monitor_id` and `scaling_id` exist on CAN only, `component` on the older buses only. A limit
    that the record does not carry, and all figures of a test that has not run, are None. `unit`
    is "" for raw numbers: the older buses, and scalings that only the maker knows.
    """

    __test__ = False  # pytest would take the name for a test class

    monitor_id: str | None
    test_id: str
    scaling_id: str | None
    value: float | None
    low: float | None
    high: float | None
    unit: str
    result: str
    component: str | None = None

    @property
    def monitor(self) -> str | None:
        """What the monitor watches, None where the standard does not say (or has no ids)."""
        return None if self.monitor_id is None else name_of_monitor(int(self.monitor_id, 16))

    @property
    def test(self) -> str | None:
        """What the test measures, None where the standard does not say."""
        if self.monitor_id is None:
            return None
        return name_of_test(int(self.monitor_id, 16), int(self.test_id, 16))

    @property
    def scaling(self) -> str:
        """``standard``, or ``unknown`` where the figures are raw and only the maker scales them."""
        known = self.scaling_id is not None and uasid.scaling(int(self.scaling_id, 16))
        return "standard" if known else "unknown"


def name_of_monitor(monitor_id: int) -> str | None:
    """Return what a monitor id of service 06 on CAN stands for, None for a reserved one.

    References
    ----------
    SAE J1979, service 06: identifiers from E1 on are the maker's (from memory).
    """
    if monitor_id in _MAKERS_MONITORS:
        return "the maker's own monitor"
    return lookup("onboard-monitor").get(monitor_id)


def name_of_test(monitor_id: int, test_id: int) -> str | None:
    """Return what a test of a monitor measures, None where the standard does not say.

    References
    ----------
    SAE J1979, service 06: tests 01 to 0A are those of oxygen sensors, 0B and 0C of misfire;
    80 to FE are the maker's (from memory).
    """
    if test_id in _MAKERS_TESTS:
        return "the maker's own test"
    if monitor_id in _OXYGEN_SENSORS:
        return lookup("oxygen-sensor-test").get(test_id)
    return lookup("misfire-test").get(test_id) if monitor_id in _MISFIRE else None


def parse_tests(payload: bytes, bus: Bus = Bus.CAN) -> tuple[TestResult, ...]:
    """Return the results of a service 06 reply; empty for a support bitmap.

    Raises
    ------
    DecodeError
        Not a service 06 reply, or not made of whole records.

    References
    ----------
    SAE J1979, service 06: limits are inclusive; a record all zero has not run since clearing.
    """
    tests, problem = read_tests(payload, bus)
    if problem:
        raise DecodeError(problem, payload=payload)
    return tests


def read_tests(payload: bytes, bus: Bus = Bus.CAN) -> tuple[tuple[TestResult, ...], str]:
    """Return the whole records of a service 06 reply, and a sentence on what is left over.

    Raises
    ------
    DecodeError
        Not a service 06 reply.
    """
    check_reply(payload, REPLY, least=2)
    if is_bitmap(payload):
        return (), ""
    if bus is Bus.CAN:
        return _read_records(payload[1:], _CAN_RECORD, _can_result)
    return _read_records(payload[1:], _LEGACY_RECORD, _legacy_result)


def read_identified_tests(monitor_id: int, data: bytes) -> tuple[tuple[TestResult, ...], str]:
    """Return the results behind identifier F6xx of service 22, and a sentence on what is left.

    `data` is what follows the identifier.

    References
    ----------
    SAE J1979-2 (from memory): F6xx carries what service 06 answers for monitor xx.
    """
    repeated = with_monitor_repeated(monitor_id, data)
    if len(repeated) % _CAN_RECORD == 0:
        return _read_records(repeated, _CAN_RECORD, _can_result)
    return _read_records(
        data, _CAN_RECORD - 1, lambda record: _can_result(bytes([monitor_id]) + record)
    )


def with_monitor_repeated(monitor_id: int, data: bytes) -> bytes:
    """Return monitor and `data` as service 06 has them, the monitor before every record.

    `data` is what follows identifier F6xx of service 22. Which records repeat the monitor is not
    public: all, all but the first, and none are read, told apart by length and by the monitor in
    its places.
    """
    one = bytes([monitor_id])
    firsts = data[::_CAN_RECORD]
    if data and len(data) % _CAN_RECORD == 0 and firsts == one * len(firsts):
        return data
    repeated = one + data
    starts = repeated[::_CAN_RECORD]
    size = _CAN_RECORD - 1
    if len(repeated) % _CAN_RECORD == 0 and starts == one * len(starts):
        return repeated
    if monitor_id % BITMAP_STEP == 0 or len(data) % size:
        return repeated
    return b"".join(one + data[at : at + size] for at in range(0, len(data), size))


def _read_records(
    body: bytes, size: int, result: Callable[[bytes], TestResult]
) -> tuple[tuple[TestResult, ...], str]:
    tests = tuple(result(body[i : i + size]) for i in range(0, len(body) - size + 1, size))
    left = len(body) % size
    return tests, f"{len(body)} bytes are not whole records of {size} bytes" if left else ""


def is_bitmap(payload: bytes) -> bool:
    """Return whether a service 06 reply names supported monitors or tests (id 00, 20 … E0)."""
    return len(payload) > 1 and payload[1] % BITMAP_STEP == 0


def parse_supported_monitors(payload: bytes, bus: Bus = Bus.CAN) -> tuple[int, ...]:
    """Return the ids of monitors (tests, on the older buses) that a support bitmap names.

    Raises
    ------
    DecodeError
        Not a service 06 support bitmap.
    """
    check_reply(payload, REPLY, least=_BITMAP_RECORD + 1)
    if bus is Bus.LEGACY:
        # 46 TID FF A B C D: a filler stands where a result has its component.
        if len(payload) != 7 or not is_bitmap(payload):
            raise DecodeError("not a support bitmap of service 06", payload=payload)
        return supported_pids(payload[1], payload[3:])
    body = payload[1:]
    found: list[int] = []
    for i in range(0, len(body), _BITMAP_RECORD):
        base, bits = body[i], body[i + 1 : i + _BITMAP_RECORD]
        if base % BITMAP_STEP or len(bits) != 4:
            raise DecodeError("not a support bitmap of service 06", payload=payload)
        found += supported_pids(base, bits)
    return tuple(found)


def _can_result(record: bytes) -> TestResult:
    names = (f"{record[0]:02X}", f"{record[1]:02X}", f"{record[2]:02X}")
    scaling = uasid.scaling_or_raw(record[2])
    if not any(record[3:]):
        return TestResult(*names, None, None, None, scaling.unit, NOT_RUN)
    value, low, high = (scaling.decode(int.from_bytes(record[i : i + 2], "big")) for i in (3, 5, 7))
    result = PASS if low <= value <= high else FAIL
    return TestResult(*names, value, low, high, scaling.unit, result)


def _legacy_result(record: bytes) -> TestResult:
    test_id, component = record[0], record[1]
    value, limit = (int.from_bytes(record[i : i + 2], "big") for i in (2, 4))
    limit_is_low = bool(component & _LIMIT_IS_LOW)
    name = f"{component & ~_LIMIT_IS_LOW:02X}"
    if not value and not limit:
        return TestResult(None, f"{test_id:02X}", None, None, None, None, "", NOT_RUN, name)
    passed = value >= limit if limit_is_low else value <= limit
    return TestResult(
        None,
        f"{test_id:02X}",
        None,
        float(value),
        float(limit) if limit_is_low else None,
        None if limit_is_low else float(limit),
        "",
        PASS if passed else FAIL,
        name,
    )
