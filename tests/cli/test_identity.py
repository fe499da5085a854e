"""What commands show of services 05, 06 and 09."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest


def session(path: Path, exchanges: dict[str, str]) -> Path:
    """Write a session in which module 7E8 gave each reply."""
    first = {"kind": "session", "version": 1, "started": "2026-01-01T00:00:00Z"}
    lines: list[dict[str, Any]] = [first]
    for at, (ask, reply) in enumerate(exchanges.items()):
        got = [["7E8", reply, 0.02]]
        lines.append({"kind": "exchange", "at": at, "ask": ask, "to": "functional", "got": got})
    path.write_text("\n".join(map(json.dumps, lines)) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("scenario", "first"),
    [
        ("healthy-petrol", "catalyst, bank 1"),
        ("diesel-29bit", "hydrocarbon catalyst"),
        ("legacy-kwp", "catalyst, bank 1"),
    ],
)
def test_readiness_shows_how_often_monitors_run(run, run_json, scenario: str, first: str) -> None:
    document = run_json("readiness", "--link", f"sim://{scenario}")
    in_use = document["modules"][0]["in_use"]
    counted = [m for m in in_use["monitors"] if m["conditions"]]
    assert counted[0]["monitor"] == first
    assert counted[0]["ratio"] == round(counted[0]["completed"] / counted[0]["conditions"], 6)
    assert in_use["drives"] <= in_use["ignition_cycles"]
    idle = [m for m in in_use["monitors"] if not m["conditions"]]
    assert idle
    assert {m["ratio"] for m in idle} == {None}
    text = run("readiness", "--link", f"sim://{scenario}").stdout
    assert f"{counted[0]['ratio']:.3f}" in text
    assert idle[0]["monitor"] not in text
    assert "none is judged here" in " ".join(text.split())


def test_readiness_without_counters(tmp_path: Path, run, run_json) -> None:
    path = session(tmp_path / "a.session.jsonl", {"0101": "410100070000"})
    assert run_json("readiness", "--link", path)["modules"][0]["in_use"] is None
    assert "really run" not in run("readiness", "--link", path).stdout


def test_vehicle_shows_all_that_a_module_tells_of_itself(run, run_json) -> None:
    link = ("--link", "sim://diesel-29bit")
    engine = run_json("vehicle", *link)["modules"][0]
    assert (engine["ecu_name"], engine["ecu_meaning"]) == ("ECM-DieselControl", "engine control")
    told = {info["info_type"]: info["text"] for info in engine["information"]}
    assert told == {"0D": "XSMENGXX00000042", "0F": "XSMXXTYPE0000007"}
    text = " ".join(run("vehicle", *link).stdout.split())
    assert "SIM20-INJ-0009 (verification 7F3344AB)" in text
    assert "Engine serial number XSMENGXX00000042" in text


def test_vehicle_shows_numbers_and_what_is_not_public(tmp_path: Path, run) -> None:
    replies = {
        "0900": "490014401821",  # 04 06 0A 14 15 1B 20
        "0904": "490402" + b"CAL-A".ljust(16, b"\0").hex() + b"CAL-B".ljust(16, b"\0").hex(),
        "0906": "490601" + "00000A51",
        "0914": "491401FFFF",
        "091B": "491B0112FF",
    }
    text = run("vehicle", "--link", session(tmp_path / "a.session.jsonl", replies)).stdout
    text = " ".join(text.split())
    assert "Calibrations CAL-A, CAL-B Verification numbers 00000A51" in text
    assert "not available (not available: not judged since clearing)" not in text
    assert "not judged since clearing" in text
    assert "0112FF (the layout of this information type is not public)" in text


def test_both_limits_of_an_older_bus_are_shown(run_json) -> None:
    (module,) = run_json("onboard-tests", "--link", "sim://legacy-iso9141")["modules"]
    limits = [(t["low"], t["high"]) for t in module["tests"] if t["component"] == "11"]
    assert limits == [(None, 180), (2, None)]


def test_raw_figures_are_marked(run) -> None:
    text = " ".join(run("onboard-tests", "--link", "sim://legacy-iso9141").stdout.split())
    assert "38 raw" in text
    assert "only the maker's service information" in text
    assert "0.45 V constant" in text
    assert " raw" not in run("onboard-tests", "--link", "sim://healthy-petrol").stdout


def test_decode_shows_information_in_words(run) -> None:
    counters = "490B0401200192" + "00C900E6"
    text = " ".join(run("decode", counters, "4202000000", "44").stdout.split())
    assert "OBDCOND 288, IGNCNTR 402" in text
    assert "stored no" in text
    assert "cleared yes" in text
    assert "{" not in text
