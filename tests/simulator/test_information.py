"""Service 09 of the simulated car beyond VIN, calibrations and counters."""

from __future__ import annotations

import pytest

from obdlog.clock import ManualClock
from obdlog.simulator.car import SimulatedCar


def ask(car: SimulatedCar, clock: ManualClock, request: str) -> list[str]:
    answers = car.answers(bytes.fromhex(request), None, clock.now_s())
    return [a.payload.hex().upper() for a in answers]


def test_engine_and_approval_numbers_are_padded_in_front() -> None:
    # 17 bytes: test source of SAE J1699-3.
    clock = ManualClock()
    car = SimulatedCar("diesel-29bit", 1, clock)
    for kind, text in (("0D", "XSMENGXX00000042"), ("0F", "XSMXXTYPE0000007")):
        found = [a for a in ask(car, clock, "09" + kind) if a.startswith("49")]
        assert found == [f"49{kind}01" + text.encode().rjust(17, b"\0").hex().upper()]


def test_distance_since_the_evaporative_system_was_judged() -> None:
    # FFFF after an erase, until the monitor has run: test source of SAE J1699-3.
    clock = ManualClock()
    car = SimulatedCar("healthy-petrol", 1, clock)
    assert ask(car, clock, "0914") == ["49140100D4"]
    erased = SimulatedCar("healthy-petrol", 1, clock, cleared=True, drive="road-test")
    assert ask(erased, clock, "0914") == ["491401FFFF"]
    clock.sleep_s(880)
    erased.advance()
    (later,) = ask(erased, clock, "0914")
    assert 0 < int(later[6:], 16) < 20


@pytest.mark.parametrize("scenario", ["healthy-petrol", "diesel-29bit", "legacy-kwp"])
def test_bitmaps_name_what_is_answered(scenario: str) -> None:
    clock = ManualClock()
    car = SimulatedCar(scenario, 1, clock)
    answers = [a for a in ask(car, clock, "0900") if a.startswith("4900")]
    bits = int(answers[0][-8:], 16)
    for info_type in range(1, 0x20):
        found = [a for a in ask(car, clock, f"09{info_type:02X}") if a.startswith("49")]
        if bits >> (32 - info_type) & 1:
            assert found
