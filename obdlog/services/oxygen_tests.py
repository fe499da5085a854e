"""Service 05: oxygen sensor test results of the older buses (CAN uses service 06)."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from obdlog.errors import DecodeError
from obdlog.services.layout import check_reply
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.tables.lookups import lookup

REPLY = 0x45

_VOLTAGE = ("V", Fraction(1, 200))
_SWITCH_TIME = ("s", Fraction(1, 250))
_PERIOD = ("s", Fraction(1, 25))
_TESTS = {
    **dict.fromkeys((0x01, 0x02, 0x03, 0x04, 0x07, 0x08), _VOLTAGE),
    **dict.fromkeys((0x05, 0x06), _SWITCH_TIME),
    **dict.fromkeys((0x09, 0x0A), _PERIOD),
}


@dataclass(frozen=True, slots=True)
class OxygenTest:
    """One result; `low` and `high` are None for a constant, `unit` is "" for a maker's test."""

    test_id: str
    sensor: str
    name: str
    value: float
    low: float | None
    high: float | None
    unit: str

    @property
    def result(self) -> str:
        """``pass`` or ``fail``, limits inclusive; a constant without limits passes."""
        if self.low is None or self.high is None or self.low <= self.value <= self.high:
            return "pass"
        return "fail"


def is_bitmap(payload: bytes) -> bool:
    """Return whether a service 05 reply names supported tests (test 00, 20 … E0)."""
    return len(payload) > 1 and payload[1] % BITMAP_STEP == 0


def parse_supported_tests(payload: bytes) -> tuple[int, ...]:
    """Return the ids of tests that a service 05 support bitmap names.

    Raises
    ------
    DecodeError
        Not a service 05 reply, or not of four bytes after the test id and the sensor.
    """
    check_reply(payload, REPLY, least=4)
    if len(payload) != 7:
        raise DecodeError("a support bitmap has 4 bytes", payload=payload)
    return supported_pids(payload[1], payload[3:])


def parse_oxygen_tests(payload: bytes) -> tuple[OxygenTest, ...]:
    """Return the result in a service 05 reply; empty for a support bitmap (test 00, 20 …).

    Raises
    ------
    DecodeError
        Not a service 05 reply, or of a wrong length.

    References
    ----------
    SAE J1979, service 05 (test ids and scales from memory).
    """
    check_reply(payload, REPLY, least=4)
    if is_bitmap(payload):
        parse_supported_tests(payload)
        return ()
    test_id, sensor, *values = payload[1:]
    if len(values) not in (1, 3):
        raise DecodeError("a result has a value, or a value and two limits", payload=payload)
    unit, scale = _TESTS.get(test_id, ("", Fraction(1)))
    name = lookup("oxygen-sensor-test").get(test_id, "test that the maker defines")
    value, low, high = [float(v * scale) for v in values] + [None] * (3 - len(values))
    if value is None:  # one value at least, by the check above
        raise DecodeError("a result without a value", payload=payload)
    return (OxygenTest(f"{test_id:02X}", f"{sensor:02X}", name, value, low, high, unit),)
