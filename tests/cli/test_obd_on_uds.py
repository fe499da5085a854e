"""A car after SAE J1979-2 through the same commands, with the same JSON."""

from __future__ import annotations

import pytest

from tests import uds_car
from tests.uds_car import ENGINE

EVERYTHING = ("read_vehicle", "read_codes", "read_readiness", "read_onboard_tests")


@pytest.fixture
def recorded(tmp_path):
    """A session of such a car: all questions, then half a minute of drive."""
    path = tmp_path / "car.session.jsonl"
    uds_car.keep(path, *EVERYTHING, drive_s=30.0)
    return path


def test_a_recording_through_every_command_that_asks(run_json, recorded):
    link = ("--link", recorded)
    vehicle = run_json("vehicle", *link)
    assert (vehicle["vin"], vehicle["vin_check"]) == (uds_car.VIN, "valid")
    assert vehicle["modules"][0]["further"] == [{"identifier": "F502", "data": "BEEF"}]

    codes = run_json("codes", *link)
    assert codes["format"] == "obdlog.codes/1"
    engine = codes["modules"][0]
    assert (engine["address"], engine["lamp"], engine["error"]) == (ENGINE, True, None)
    assert [(c["code"], c["failure_type"]) for c in engine["codes"]] == [
        ("P0562", "16"), ("P0302", "00")
    ]  # fmt: skip
    assert all(c["because"] and c["meaning"] for c in engine["codes"])
    assert engine["freeze_frames"][0]["readings"][0]["signal"] == "RPM"

    readiness = run_json("readiness", *link)
    assert readiness["modules"][0]["monitors"]
    assert [g["group"] for g in readiness["groups"]] == ["01", "02"]

    tests = run_json("onboard-tests", *link)
    assert [t["monitor_id"] for t in tests["modules"][0]["tests"]] == ["01", "01"]


def test_a_recording_through_every_command_that_judges(run, run_json, recorded, tmp_path):
    recording = run_json("record", "--link", recorded, "--for", "5s", "--out", "r.session.jsonl")
    assert recording["format"] == "obdlog.recording/1"
    assert (recording["lost_exchanges"], recording["gaps"]) == (0, 0)
    assert "Engine speed" in run("watch", "--link", recorded, "--for", "2s").stdout
    for path in (recorded, tmp_path / "r.session.jsonl"):
        findings = run_json("check", path)
        assert findings["findings"]
        figure = run("plot", path).stdout.strip()
        assert (tmp_path / figure).read_bytes().startswith(b"\x89PNG")
    run("export", recorded, "car.csv")
    assert "RPM" in (tmp_path / "car.csv").read_text(encoding="utf-8")


def test_what_has_no_public_meaning_is_shown_and_said_so(run, recorded):
    readiness = run("readiness", "--link", recorded).stdout
    assert "not public" in readiness
    assert "P0562-16" in readiness
    vehicle = run("vehicle", "--link", recorded).stdout
    assert "F502" in vehicle
    assert "BEEF" in vehicle
