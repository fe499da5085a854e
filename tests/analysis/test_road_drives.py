"""The open road drives through the checks (M. Weber, KIT, DOI 10.35097/1130, CC BY 4.0).

Fuel and displacement of the car are not given, the engine has stop-start, and intake air readings
up to 117 °C come with 0 rpm: none of that may be judged.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.checks import run_checks
from analysis.checks.registry import all_checks
from analysis.column_map import ColumnMap
from analysis.conditions import find_segments
from analysis.csv_import import import_csv
from analysis.findings import Verdict
from analysis.load import load

DRIVES = Path(__file__).parents[1] / "data" / "road_drives"
COLUMNS = ColumnMap(time="time_s", key="pid", value="value")


@pytest.fixture(params=["drive_accelerating", "drive_town_with_gaps"])
def drive(request, tmp_path):
    dst = tmp_path / "drive.session.jsonl"
    import_csv(DRIVES / f"{request.param}.csv", dst, COLUMNS)
    return load(dst)


def test_nothing_is_outside_and_petrol_rules_wait(drive):
    findings = {f.check: f for f in run_checks(drive)}
    assert {f.verdict for f in findings.values()} == {Verdict.INSIDE, Verdict.NOT_JUDGED}
    for check in all_checks():
        if check.fuel:
            assert "fuel is not known" in findings[check.name].because
    for name in ("coolant-circuit", "overheat", "pedal-tracks", "speed-steps", "airflow-circuit"):
        assert findings[name].verdict is Verdict.INSIDE


def test_hot_intake_readings_at_0_rpm_are_not_flagged(drive):
    findings = {f.check: f for f in run_checks(drive)}
    assert findings["intake-circuit"].verdict is Verdict.INSIDE


def test_an_automatic_stop_is_not_key_on(drive):
    speed = drive.samples("RPM")
    started = float(speed.at_s[speed.value > 0][0])
    assert all(segment.end_s <= started for segment in find_segments(drive, "key-on"))


def test_told_that_it_is_petrol_the_rules_apply(drive):
    from analysis.facts import VehicleFacts

    facts = VehicleFacts.from_session(drive, {"fuel": "petrol", "displacement_l": 2.0})
    findings = {f.check: f for f in run_checks(drive, facts)}
    assert "fuel" not in findings["short-trim-limit"].because
