from __future__ import annotations

import pytest

from analysis.facts import VehicleFacts
from obdlog.errors import AnalysisError


def facts(build_session, signals=None, vehicle=None, **own):
    data = build_session(signals or {}, header={"vehicle": vehicle or {}})
    return VehicleFacts.from_session(data, own)


# SAE J1979 PID 51: 1 petrol, 4 diesel, 5 LPG, 8 electric, 17 hybrid petrol, 19 hybrid diesel
@pytest.mark.parametrize(
    ("code", "fuel", "hybrid"),
    [(1, "petrol", None), (4, "diesel", None), (5, "other", None), (8, "other", None),
     (17, "petrol", True), (19, "diesel", True)],
)  # fmt: skip
def test_fuel_from_pid_51(build_session, code, fuel, hybrid):
    found = facts(build_session, {"FUEL_TYPE": [code], "IGN_TYPE": [1]})
    assert (found.fuel, found.hybrid) == (fuel, hybrid)
    assert "PID 51" in found.fuel_source


@pytest.mark.parametrize(("bit", "fuel"), [(0, "petrol"), (1, "diesel")])
def test_fuel_from_the_ignition_bit(build_session, bit, fuel):
    found = facts(build_session, {"IGN_TYPE": [bit], "FUEL_TYPE": [0]})
    assert found.fuel == fuel
    assert "ignition bit" in found.fuel_source


def test_nothing_said_is_nothing_known(build_session):
    assert facts(build_session) == VehicleFacts()


def test_the_user_outranks_header_and_readings(build_session):
    found = facts(
        build_session,
        {"FUEL_TYPE": [1]},
        {"fuel": "diesel", "displacement_l": 1.6, "vin": "x"},
        fuel="Gasoline",
        altitude_m=300,
    )
    assert (found.fuel, found.fuel_source) == ("petrol", "stated by the user")
    assert (found.displacement_l, found.altitude_m) == (1.6, 300.0)


def test_nonsense_in_a_header_is_ignored(build_session):
    vehicle = {"fuel": "dragon", "displacement_l": -1, "gearbox": 5, "boosted": "yes"}
    assert facts(build_session, vehicle=vehicle) == VehicleFacts()


@pytest.mark.parametrize(
    "own",
    [
        {"fuel": "dragon"},
        {"displacement_l": 0},
        {"displacement_l": "big"},
        {"displacement_l": True},
        {"altitude_m": float("nan")},
        {"boosted": 1},
        {"gearbox": "five"},
        {"fuel": 3},
        {"colour": "red"},
    ],
)
def test_nonsense_from_the_user_is_one_sentence(build_session, own):
    with pytest.raises(AnalysisError):
        facts(build_session, **own)
