"""Computed figures and conclusions that programs most often get wrong, one test a fact.

Readings and messages stand in test_known_errors_readings.py and test_known_errors_messages.py.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.checks import run_checks
from analysis.derive import standard_pressure_kpa
from analysis.facts import VehicleFacts
from analysis.findings import Finding
from analysis.fuel import FuelRate, fuel_rate, litres_per_100_km
from analysis.load import load
from obdlog.tables.signals import by_name


@pytest.fixture
def checked(tmp_path) -> Callable[..., dict[str, Finding]]:
    """Check a drive of five minutes in which every reply stays as it is."""

    def check(facts: VehicleFacts, *replies: str) -> dict[str, Finding]:
        path: Path = tmp_path / "a.session.jsonl"
        lines: list[dict[str, object]] = [{"kind": "session", "version": 1}]
        for at in range(600):
            got = [["7E8", reply, 0.01] for reply in replies]
            for one in got:
                ask = "01" + str(one[1])[2:4]
                lines.append({"kind": "exchange", "at": at / 2, "ask": ask, "got": [one]})
        path.write_text("\n".join(map(json.dumps, lines)) + "\n", encoding="utf-8")
        return {finding.check: finding for finding in run_checks(load(path), facts)}

    return check


def test_fuel_from_the_airflow_of_a_diesel_is_an_upper_limit_without_lambda():
    """Mass balance; a diesel runs lean (common practice, no source). 29 / 14.5 = 2."""
    assert fuel_rate(29.0, "diesel") == FuelRate(2.0, upper_limit=True)
    assert fuel_rate(29.0, "diesel", 2.0) == FuelRate(1.0, upper_limit=False)
    assert fuel_rate(14.7, "petrol") == FuelRate(1.0, upper_limit=False)


@pytest.mark.parametrize(
    ("airflow", "fuel", "lambda_"), [(1, "steam", None), (-1, "petrol", None), (1, "diesel", 0)]
)
def test_fuel_is_not_computed_from_nonsense(airflow, fuel, lambda_):
    with pytest.raises(ValueError, match=r"petrol or diesel|negative"):
        fuel_rate(airflow, fuel, lambda_)


def test_there_is_no_consumption_over_distance_at_standstill():
    """Dividing by a speed of zero. At 50 km/h 1 g/s of 745 g/L is 4.832 L/h, 9.664 L/100 km."""
    assert litres_per_100_km(1.0, "petrol", 0.0) is None
    assert litres_per_100_km(1.0, "petrol", float("nan")) is None
    assert litres_per_100_km(1.0, "petrol", 50.0) == pytest.approx(9.664, abs=1e-3)
    with pytest.raises(ValueError, match="petrol or diesel"):
        litres_per_100_km(1.0, "steam", 50.0)


def test_barometric_pressure_resolves_one_kpa_which_is_45_m_either_way():
    """WIKI-OBD2 (PID 33, one byte of kPa); ISO-2533: 101.325 kPa at 0 m, 95.461 kPa at 500 m."""
    assert by_name("BARO").step == 1.0
    metres_a_kpa = 500 / (101.325 - 95.461)
    assert metres_a_kpa / 2 == pytest.approx(43, abs=1)
    assert standard_pressure_kpa(500) == pytest.approx(95.461, abs=1e-3)


@pytest.mark.parametrize(
    ("altitude_m", "verdict"), [(27 - 45, "inside"), (27 + 45, "inside"), (27 + 900, "outside")]
)
def test_an_altitude_within_the_resolution_is_not_called_wrong(altitude_m, verdict, checked):
    """ISO-2533: 101 kPa is the standard at 27 m."""
    found = checked(VehicleFacts(altitude_m=float(altitude_m)), "413365")
    assert found["barometer-altitude"].verdict.value == verdict


# Warm and running: 90 °C, 1500 min-1, 60 km/h, ten minutes after the start (WIKI-OBD2).
RUNNING = ("410582", "410C1770", "410D3C", "411F0258", "415101")


@pytest.mark.parametrize(
    ("status", "trim", "closed_pct"), [("0200", "80", 100.0), ("0400", "8A", 0.0)]
)
def test_the_fuel_system_status_says_whether_the_loop_is_closed_never_the_trim(
    status, trim, closed_pct, checked
):
    """SAE-J1979, PID 03: a trim of zero may be a closed loop, a trim that moves an open one."""
    found = checked(VehicleFacts(fuel="petrol"), f"4103{status}", f"4106{trim}", *RUNNING)
    assert found["loop-status"].measured["closed_loop_pct"] == closed_pct


def test_without_the_fuel_system_status_nothing_is_said_of_the_loop(checked):
    found = checked(VehicleFacts(fuel="petrol"), "410680", *RUNNING)
    assert found["loop-status"].verdict.value == "not-judged"


def test_incomplete_monitors_are_told_with_the_rule_and_that_places_differ(run):
    """CFR-40-85: two for model years 1996 to 2000, one from 2001. No promise of passing."""
    text = " ".join(run("readiness", "--link", "sim://airbox-repair").stdout.split())
    assert "40 CFR 85.2222" in text
    assert "more than two of these incomplete (model years 1996 to 2000)" in text
    assert "more than one (2001 on)" in text
    assert "Local rules differ" in text
    assert "will pass" not in text


def test_stored_codes_without_the_lamp_are_told_apart_from_a_lamp_that_is_on(run):
    """CFR-40-85: the lamp command decides there, so lamp and codes are two statements."""
    text = run("readiness", "--link", "sim://airbox-repair").stdout
    assert "Engine lamp commanded  yes" in text
    diesel = run("readiness", "--link", "sim://diesel-29bit").stdout
    assert "Engine lamp commanded  no" in diesel
