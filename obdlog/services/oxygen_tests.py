"""Service 05: oxygen sensor test results of the older buses (CAN uses service 06)."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from obdlog.errors import DecodeError
from obdlog.services.layout import check_reply
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.lookups import lookup
from obdlog.tables.oxygen_scales import oxygen_scales

REPLY = 0x45

_MAKERS_TESTS = range(0x21, 0x100)


@dataclass(frozen=True, slots=True)
class OxygenTest:
    """One result; identifiers are two hex digits.

    `low` and `high` are None for a constant, which is what the module works with and no
    measurement. All figures of a test that has not run are None. `unit` is "" where the scale
    is the maker's own: then the figures are raw.
    """

    test_id: str
    sensor: str
    name: str
    value: float | None
    low: float | None
    high: float | None
    unit: str

    @property
    def result(self) -> str:
        """``pass`` or ``fail``, limits inclusive, or ``not-run``; without limits it passes."""
        if self.value is None:
            return "not-run"
        if self.low is None or self.high is None or self.low <= self.value <= self.high:
            return "pass"
        return "fail"

    @property
    def scaling(self) -> str:
        """``standard``, or ``unknown`` where only the maker knows the scale."""
        return "standard" if int(self.test_id, 16) in oxygen_scales() else "unknown"

    def place(self, context: Context = EMPTY) -> str | None:
        """Return where the sensor sits (``B1S2``), None where that is not known.

        The sensor byte has the sensor's bit of PID 13 or 1D (SAE J1979); the first two bits mean
        the same sensors in both.
        """
        bits = int(self.sensor, 16)
        if bits.bit_count() != 1:
            return None
        sensor = bits.bit_length()
        return context.place(sensor) or (f"B1S{sensor}" if sensor <= 2 else None)


def name_of_oxygen_test(test_id: int) -> str:
    """Return what a service 05 test measures.

    References
    ----------
    SAE J1979, service 05: from 21 on tests are the maker's (from memory).
    """
    maker = "the maker's own test" if test_id in _MAKERS_TESTS else "reserved by the standard"
    return lookup("oxygen-sensor-test").get(test_id, maker)


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
    if len(payload) != 7 or not is_bitmap(payload):
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
    SAE J1979, service 05: value, lowest, highest; constants have a value alone. A result all
    zero has not run since clearing, as in service 06 (from memory).
    """
    check_reply(payload, REPLY, least=4)
    if is_bitmap(payload):
        parse_supported_tests(payload)
        return ()
    test_id, sensor, *raw = payload[1:]
    if len(raw) not in (1, 3):
        raise DecodeError("a result has a value, or a value and two limits", payload=payload)
    scale = oxygen_scales().get(test_id)
    factor, unit = (scale.scale, scale.unit) if scale else (Fraction(1), "")
    figures = [float(byte * factor) for byte in raw] if any(raw) or len(raw) == 1 else []
    value, low, high = (*figures, None, None, None)[:3]
    name = name_of_oxygen_test(test_id)
    return (OxygenTest(f"{test_id:02X}", f"{sensor:02X}", name, value, low, high, unit),)
