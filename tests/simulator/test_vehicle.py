"""The car as a machine: consistent with itself, with physics and with what a healthy car reads.

Limits without a source beside them are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from statistics import mean, pstdev

import pytest

from obdlog.clock import ManualClock
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.state import Loop, State

GAS_CONSTANT = 8.314
"""J/(mol K), rounded from CODATA 2018."""
AIR_G_MOL = 28.97
"""Molar mass of dry air, ISO 2533."""


@cache
def history(scenario: str, drive: str, seconds: int = 0) -> tuple[State, ...]:
    """Return the car's state once a second over a whole drive, key-on included."""
    clock = ManualClock()
    car = SimulatedCar(scenario, 1, clock, drive=drive)
    length = seconds or int(car_length_s(drive))
    states = []
    for _ in range(length):
        clock.sleep_s(1.0)
        states.append(replace(car.state))
    return tuple(states)


def car_length_s(drive: str) -> float:
    from obdlog.simulator.drives import load_drive

    return load_drive(drive).duration_s + 12


def road_test() -> tuple[State, ...]:
    return history("healthy-petrol", "road-test")


def warm_idle() -> list[State]:
    return [
        s
        for s in road_test()
        if s.speed_mps == 0 and s.coolant_c >= 80 and s.rpm < 1000 and s.run_s > 120
    ][5:]


def held_revs() -> list[State]:
    return [s for s in road_test() if s.speed_mps == 0 and 2400 < s.rpm < 2600]


def cruise() -> list[State]:
    return [s for s in road_test() if 91 <= s.speed_kmh <= 93 and abs(s.accel_mps2) < 0.05][10:]


@pytest.mark.parametrize(("drive", "miles"), [("udds", 7.45), ("hwfet", 10.26)])
def test_distance_of_the_regulated_schedules(drive: str, miles: float) -> None:
    # 40 CFR part 86 appendix I(a); 40 CFR part 600.
    assert history("healthy-petrol", drive)[-1].distance_m / 1609.344 == pytest.approx(
        miles, abs=0.01
    )


def test_warm_idle_reads_as_a_healthy_car() -> None:
    states = warm_idle()
    assert len(states) >= 30
    litres = 1.8
    assert 0.8 <= mean(s.air_gps for s in states) / litres <= 2.0
    assert 28 <= mean(s.map_kpa for s in states) <= 48
    assert 600 <= mean(s.rpm for s in states) <= 900
    assert pstdev(s.rpm for s in states) <= 30
    assert {s.pedal_pct for s in states} == {0.0}
    assert all(0 <= s.spark_deg <= 25 for s in states)
    assert all(13.5 <= s.battery_v <= 14.7 for s in states)
    assert all(s.loop is Loop.CLOSED for s in states)


def test_held_revs_read_as_a_healthy_car() -> None:
    states = held_revs()
    assert len(states) >= 20
    assert 3.0 <= mean(s.air_gps for s in states) / 1.8 <= 6.0
    assert pstdev(s.rpm for s in states[3:]) <= 100


def test_cruise_reads_as_a_healthy_car() -> None:
    states = cruise()
    assert len(states) >= 60
    loads = [s.load_pct for s in states]
    assert max(loads) - min(loads) <= 10
    trims = [s.short_trim_pct for s in states]
    assert 0.5 <= pstdev(trims) <= 6
    assert min(trims) < 0 < max(trims)
    assert abs(mean(s.short_trim_pct + s.long_trim_pct for s in states)) <= 10
    assert all(400 <= s.catalyst_c <= 800 for s in states)
    assert all(s.intake_c - s.ambient_c <= 15 for s in states)
    assert mean(s.o2_rear_v for s in states) >= 0.5


def test_airflow_agrees_with_speed_density() -> None:
    # Ideal gas: m = P·V·(N/120)·VE·M/(R·T), VE 0.6 to 0.9 of a naturally aspirated engine.
    def filling(state: State) -> float:
        kelvin = state.intake_c + 273.15
        swept_l_s = 1.8 * state.rpm / 120
        return state.air_gps / (state.map_kpa * swept_l_s * AIR_G_MOL / (GAS_CONSTANT * kelvin))

    assert all(0.55 <= filling(s) <= 0.90 for s in (*warm_idle(), *held_revs(), *cruise()))
    steady = [filling(s) for s in cruise()]
    assert max(steady) / min(steady) < 1.1


def test_absolute_load_is_the_airflow() -> None:
    # SAE J1979, PID 43: air mass per cylinder filling over that at 1.184 g/L.
    for state in (*warm_idle(), *cruise()):
        expected = state.air_gps * 120 / (state.rpm * 1.8 * 1.184) * 100
        assert state.absolute_load_pct == pytest.approx(expected, rel=0.02)


def test_full_pedal_pull() -> None:
    pull = [s for s in road_test() if s.wide_open and s.rpm > 2000]
    assert len(pull) >= 4
    assert max(s.pedal_pct for s in pull) == 100
    assert max(s.load_pct for s in pull) >= 90
    assert max(s.throttle_pct for s in pull) >= 70
    settled = [s for s in pull if s.load_pct > 97]
    # Filling at full throttle of a naturally aspirated engine, referred to intake air.
    for state in settled:
        density = 1.184 * (state.baro_kpa / 101.3) * (298 / (state.intake_c + 273))
        assert 0.70 <= state.air_gps * 120 / (state.rpm * 1.8 * density) <= 1.0


def test_overrun_cuts_fuel() -> None:
    overrun = [s for s in road_test() if s.overrun_s > 2 and s.speed_kmh > 20]
    assert len(overrun) >= 20
    assert all(s.fuel_gps == 0 and s.pedal_pct == 0 and s.loop is Loop.LOAD for s in overrun)
    assert all(s.o2_front_v < 0.2 for s in overrun)
    assert any(s.rpm > 1400 for s in overrun)


def test_warm_up_ends_at_the_thermostat() -> None:
    states = road_test()
    first = next(s for s in states if s.coolant_c >= 75)
    assert first.run_s < 15 * 60
    late = [s.coolant_c for s in states if s.run_s > 400]
    assert min(late) >= 80
    assert max(late) <= 105


def test_cold_temperatures_agree_before_the_start() -> None:
    state = road_test()[3]
    values = (state.coolant_c, state.intake_c, state.ambient_c, state.oil_c)
    assert max(values) - min(values) <= 5


def test_battery_rests_and_dips() -> None:
    clock = ManualClock()
    car = SimulatedCar("healthy-petrol", 1, clock)
    clock.sleep_s(5)
    assert 12.4 <= car.battery_v() <= 12.8
    car.key("start")
    lowest = 99.0
    for _ in range(20):
        clock.sleep_s(0.1)
        lowest = min(lowest, car.battery_v())
    assert 9.6 <= lowest <= 11.5


def test_rpm_follows_the_gears() -> None:
    locked: dict[int, list[float]] = {}
    before = road_test()[0]
    for state in road_test():
        same = state.gear == before.gear and abs(state.accel_mps2 - before.accel_mps2) < 0.1
        if same and state.speed_kmh >= 30 and not state.overrun:
            locked.setdefault(state.gear, []).append(state.rpm / state.speed_kmh)
        before = state
    assert len(locked) >= 4
    for ratios in locked.values():
        assert max(ratios) / min(ratios) < 1.03


@pytest.mark.parametrize("scenario", ["healthy-petrol", "diesel-29bit"])
def test_same_seed_same_car_whenever_it_is_asked(scenario: str) -> None:
    def final(pauses: list[float], seed: int) -> State:
        clock = ManualClock()
        car = SimulatedCar(scenario, seed, clock, drive="road-test")
        for pause in pauses:
            clock.sleep_s(pause)
            car.advance()
        return car.state

    often = final([0.05] * 2400, 1)
    once = final([120.0], 1)
    assert often == once
    assert final([120.0], 2) != once


def test_diesel_is_lean_and_boosted() -> None:
    states = history("diesel-29bit", "road-test")
    idle = [s for s in states if s.speed_mps == 0 and s.rpm < 900 and s.run_s > 400]
    assert all(abs(s.map_kpa - s.baro_kpa) < 5 for s in idle[5:])
    assert all(22_000 <= s.rail_kpa <= 35_000 for s in idle[5:])
    assert max(s.map_kpa for s in states) > 150
    assert max(s.rail_kpa for s in states) > 120_000
    assert all(s.lam > 1.1 for s in states if s.fuel_gps > 0 and s.run_s > 2)
    assert max(s.filter_kpa for s in states) > 2


def test_airflow_fault_shows_in_trims_and_loop() -> None:
    states = [s for s in history("airbox-not-repaired", "road-test") if s.run_s > 300]
    closed = [s for s in states if not s.overrun and not s.wide_open]
    assert sum(s.loop is Loop.CLOSED_FAULT for s in closed) > 0.9 * len(closed)
    assert mean(s.long_trim_pct for s in closed) > 8
