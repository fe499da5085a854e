"""The job over a TCP adapter in another process, as a technician's script drives it."""

from __future__ import annotations

import json

import pytest

from obdlog.session.reader import read_session

WORK = ("--unplugged", "mass air flow sensor", "--unplugged", "brake control module")


def test_the_job_over_tcp(run, run_json, served_car, tmp_path):
    link = ("--link", served_car)
    case = ("--case", "job")

    codes = run_json("codes", *link, *case, *WORK)
    assert codes["format"] == "obdlog.codes/1"
    assert codes["vehicle"]["protocol"]
    assert codes["adapter"]["voltage"] == pytest.approx(12.4, abs=0.5)
    engine, gearbox = codes["modules"]
    assert (engine["address"], engine["answered"], engine["lamp"]) == ("7E8", True, True)
    assert {c["code"]: c["judgement"] for c in engine["codes"]} == {
        "P0102": "after-effect",
        "P0113": "after-effect",
        "U0121": "after-effect",
        "P0442": "fault",
        "P0171": "follow-on",
    }
    assert all(c["because"] and c["meaning"] for c in engine["codes"])
    assert engine["freeze_frames"][0]["code"] == "P0102"
    assert engine["freeze_frames"][0]["readings"]
    assert gearbox["codes"] == []

    vehicle = run_json("vehicle", *link)
    assert vehicle["format"] == "obdlog.vehicle/1"
    assert vehicle["vin"] == codes["vehicle"]["vin"]
    assert vehicle["vin_check"] in ("valid", "invalid", "not-used")
    assert vehicle["modules"][0]["calibrations"]
    assert vehicle["modules"][0]["cvns"]
    assert {s["pid"] for s in vehicle["modules"][0]["signals"]} >= {"0C", "0D", "10"}

    cleared = run_json("clear", *link, *case, "--yes")
    assert cleared["format"] == "obdlog.clear/1"
    assert [m["accepted"] for m in cleared["modules"]] == [True, True]
    assert set(cleared["modules"][0]["before"]) == {"P0102", "P0113", "U0121", "P0442", "P0171"}
    # A permanent code stays until the car's own test has passed (SAE J1979, service 0A).
    assert cleared["modules"][0]["after"] == ["P0102"]
    assert any("Key cycle" in step for step in cleared["next_steps"])
    evidence = read_session(tmp_path / cleared["evidence"])
    assert evidence.complete
    asked = {e.request.payload for e in evidence.exchanges}
    assert {b"\x03", b"\x07", b"\x0a", b"\x01\x01", b"\x09\x02", b"\x02\x02\x00"} <= asked
    assert any(payload[0] == 0x06 for payload in asked)
    assert b"\x04" not in asked
    after = read_session(tmp_path / cleared["read_back"])
    assert [e.request.payload for e in after.exchanges].count(b"\x04") == 1

    readiness = run_json("readiness", *link, *case)
    assert readiness["format"] == "obdlog.readiness/1"
    module = readiness["modules"][0]
    assert module["ignition"] == "spark"
    assert any(m["supported"] and not m["complete"] for m in module["monitors"])
    assert set(readiness["counters"]) >= {
        "warm_ups_since_clear",
        "distance_since_clear_km",
        "minutes_since_clear",
        "distance_with_lamp_km",
    }

    recording = run_json("record", *link, *case, "--for", "4s")
    assert recording["format"] == "obdlog.recording/1"
    assert recording["reason"] == "time reached"
    assert recording["seconds"] == pytest.approx(4, abs=1)
    assert recording["readings_per_second"] > 20
    assert recording["limit_readings_per_second"] >= recording["readings_per_second"]
    assert (recording["gaps"], recording["lost_exchanges"]) == (0, 0)
    log = read_session(tmp_path / recording["file"])
    assert sum(e.request.purpose == "poll" for e in log.exchanges) == recording["exchanges"]

    run("codes", *link, *case)
    findings = run_json("check", recording["file"])
    assert findings["format"] == "obdlog.check/1"
    assert {f["verdict"] for f in findings["findings"]} <= {"inside", "outside", "not-judged"}
    assert all(f["expected"]["source"] for f in findings["findings"])

    figure = run("plot", recording["file"]).stdout.strip()
    assert (tmp_path / figure).read_bytes().startswith(b"\x89PNG")

    comparison = run_json("compare", "job")
    assert comparison["format"] == "obdlog.compare/1"
    assert {c["code"] for c in comparison["gone"]} == {"P0113", "U0121", "P0442", "P0171"}
    assert [c["code"] for c in comparison["remaining"]] == ["P0102"]
    # Four seconds of driving prove nothing.
    assert {item["verdict"] for item in comparison["repair"]} == {"not-proven"}

    report = tmp_path / run("report", "job").stdout.strip()
    assert "P0442" in report.read_text(encoding="utf-8")


def test_codes_replayed_from_their_session_are_the_same(run_json, served_car):
    live = run_json("codes", "--link", served_car, "--save", "read.session.jsonl", *WORK)
    again = run_json("codes", "--link", "read.session.jsonl")
    assert again["modules"] == live["modules"]
    assert again["vehicle"] == live["vehicle"]
    assert run_json("codes", "--link", "replay://read.session.jsonl")["modules"] == live["modules"]


def test_a_moving_car_is_never_erased(run, driving_car, tmp_path):
    run(
        "record",
        "--link",
        driving_car,
        "--for",
        "14s",
        "--signal",
        "RPM",
        "--out",
        "d.session.jsonl",
    )
    result = run("clear", "--link", driving_car, "--yes", code=5)
    assert "nothing was erased" in result.stderr
    assert not list(tmp_path.glob("case-*"))


def test_fail_on_ends_with_ten_only_when_found(run):
    run("codes", "--link", "sim://airbox-repair", "--fail-on", "codes", code=10)
    run("codes", "--link", "sim://healthy-petrol", "--fail-on", "codes")
    run("readiness", "--link", "sim://airbox-repair", "--fail-on", "not-ready", code=10)
    # A word that a command does not know must not look like a check that passed.
    for command, word in (("codes", "outside"), ("readiness", "codes")):
        result = run(command, "--link", "sim://airbox-repair", "--fail-on", word, code=2)
        assert word in result.stderr


@pytest.mark.parametrize(
    "scenario",
    [
        "airbox-repair",
        "diesel-29bit",
        "legacy-iso9141",
        "legacy-kwp",
        "legacy-pwm",
        "legacy-vpw",
        "healthy-petrol",
    ],
)
def test_every_simulated_car_answers_every_reading_command(run_json, scenario):
    link = ("--link", f"sim://{scenario}")
    assert run_json("vehicle", *link)["vin"]
    assert run_json("codes", *link)["modules"]
    assert run_json("readiness", *link)["modules"]
    assert "modules" in run_json("onboard-tests", *link)
    assert run_json("adapter", *link)["unsafe"] == []
    recording = run_json("record", *link, "--for", "5s", "--out", "r.session.jsonl")
    assert recording["readings"] > 10


def test_the_counterfeit_adapter_is_told_by_its_behaviour(run_json):
    measured = run_json("adapter", "--link", "sim://counterfeit")
    assert measured["long_reply"] is False
    assert measured["disagreements"]
    assert measured["unsafe"]


def test_decode_batch_answers_line_by_line(run):
    lines = [
        {"id": 1, "request": "010C", "reply": "410C1AF8"},
        {"id": "two", "reply": "nonsense"},
        {"id": 3, "request": "03", "reply": "43010102", "bus": "can"},
        {"id": 4, "reply": "7F0422"},
    ]
    out = run("decode", "--batch", "-", stdin="".join(json.dumps(x) + "\n" for x in lines)).stdout
    first, second, third, fourth = map(json.loads, out.splitlines())
    # 1AF8 hex = 6904 quarter turns: the worked example of the encyclopaedia's PID table.
    assert (first["id"], first["readings"][0]["value"]) == (1, 1726)
    assert (second["id"], bool(second["error"])) == ("two", True)
    assert third["codes"][0]["code"] == "P0102"
    assert fourth["refusal"]["code"] == "22"


def test_what_was_said_once_of_the_work_holds_for_the_case(run_json):
    link = ("--link", "sim://airbox-repair", "--case", "job")

    def judged():
        return {
            c["code"]: c["judgement"]
            for m in run_json("codes", *link)["modules"]
            for c in m["codes"]
        }

    run_json("codes", *link, *WORK)
    assert judged()["P0102"] == "after-effect"
    run_json("clear", *link, "--yes")
    assert judged()["P0113"] == "fault", "in the simulation it never was erased: it came back"


def test_a_permanent_record_is_not_called_a_fault_that_came_back(run_json):
    run_json("clear", "--link", "sim://airbox-repair", "--case", "job", "--yes", *WORK)
    codes = run_json("codes", "--link", "sim://airbox-repair?cleared=1", "--case", "job")
    (code,) = codes["modules"][0]["codes"]
    assert (code["code"], code["status"], code["judgement"]) == ("P0102", ["permanent"], "past")


def test_two_vehicles_in_one_case_are_told_and_never_erased(run):
    run("codes", "--link", "sim://airbox-repair", "--case", "job")
    result = run("codes", "--link", "sim://diesel-29bit", "--case", "job")
    assert "two vehicles in one case" in " ".join(result.stderr.split())
    result = run("clear", "--link", "sim://diesel-29bit", "--case", "job", "--yes", code=5)
    assert "nothing was erased" in result.stderr.lower()
