"""What commands show of a car's answers, the ones that did not arrive whole included."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

LINK, SILENT, USAGE = 3, 4, 2


def session(path: Path, *exchanges: dict[str, Any], **header: Any) -> Path:
    """Write a session of `exchanges`, each of ``ask`` and ``got``."""
    first = {"kind": "session", "version": 1, "started": "2026-01-01T00:00:00Z", **header}
    lines = [first]
    for at, exchange in enumerate(exchanges):
        lines.append({"kind": "exchange", "at": float(at), "to": "functional", **exchange})
    path.write_text("\n".join(map(json.dumps, lines)) + "\n", encoding="utf-8")
    return path


def answered(ask: str, reply: str, source: str = "7E8") -> dict[str, Any]:
    return {"ask": ask, "got": [[source, reply, 0.02]]}


def test_results_of_the_cars_own_tests_bear_their_names(run, run_json) -> None:
    document = run_json("onboard-tests", "--link", "sim://healthy-petrol")
    named = {t["monitor_id"]: t["monitor"] for t in document["modules"][0]["tests"]}
    assert named["21"] == "catalyst, bank 1"
    assert document["unread"] == []
    text = run("onboard-tests", "--link", "sim://healthy-petrol").stdout
    assert "21 catalyst, bank 1" in text
    assert "arrive whole" not in text


def test_oxygen_sensor_tests_of_an_older_bus(run, run_json) -> None:
    link = ("--link", "sim://legacy-iso9141")
    (module,) = run_json("onboard-tests", *link)["modules"]
    first = module["oxygen_tests"][0]
    assert (first["test_id"], first["sensor"], first["place"]) == ("01", "01", "B1S1")
    assert {"test", "value", "low", "high", "unit", "result"} <= set(first)
    text = run("onboard-tests", *link).stdout
    assert "B1S1" in text
    assert "rich to lean switch time" in text


def test_an_adapter_that_spoils_answers_makes_nothing_look_absent(run, run_json) -> None:
    link = ("--link", "sim://counterfeit")
    spoilt = {u["request"]: u["outcome"] for u in run_json("onboard-tests", *link)["unread"]}
    assert spoilt
    assert {request[:2] for request in spoilt} == {"06"}
    assert set(spoilt.values()) <= {"garbled", "timeout", "lost"}
    text = " ".join(run("onboard-tests", *link).stdout.split())
    assert all(f"{request} ({outcome})" in text for request, outcome in spoilt.items())

    vehicle = run_json("vehicle", *link)
    assert vehicle["vin"] is None
    assert {"request": "0902", "outcome": "garbled"} in vehicle["unread"]
    text = " ".join(run("vehicle", *link).stdout.split())
    assert "VIN not known: the answer did not arrive whole (garbled)" in text
    assert "not reported" not in text


def test_a_second_whole_answer_counts(run_json, tmp_path) -> None:
    path = session(
        tmp_path / "a.session.jsonl",
        {"ask": "0601", "got": [], "outcome": "garbled"},
        {"ask": "0621", "got": [], "outcome": "timeout"},
        answered("0621", "46218024000100000002"),
    )
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps({"kind": "exchange", "at": 9.0, **answered("03", "4300")}) + "\n")
    document = run_json("onboard-tests", "--link", path)
    assert document["unread"] == [{"request": "0601", "outcome": "garbled"},
                                  {"request": "0621", "outcome": "timeout"}]  # fmt: skip


def test_results_that_are_not_whole_records_are_named(run, run_json, tmp_path) -> None:
    # SAE J1979, service 06: records of nine bytes (monitor, test, scaling, value, two limits).
    path = session(tmp_path / "a.session.jsonl", answered("0601", "46010124005A000001"))
    document = run_json("onboard-tests", "--link", path)
    assert document["modules"] == []
    assert document["unread"] == [{"request": "0601", "outcome": "unreadable"}]
    text = " ".join(run("onboard-tests", "--link", path).stdout.split())
    assert "No module reports" not in text
    assert "not laid out as the standard says: 0601" in text


@pytest.mark.parametrize(
    ("bitmap", "expected"),
    [([], {"01", "A2"}), ([answered("0600", "460080000001")], {"01", "A2"})],
    ids=["no bitmap", "a bitmap that leaves one out"],
)
def test_recorded_results_need_no_bitmap(run_json, tmp_path, bitmap, expected) -> None:
    path = session(
        tmp_path / "a.session.jsonl",
        *bitmap,
        answered("0601", "46010124005A00000100"),
        answered("06A2", "46A20B2400010000FFFFA20C24000000000005"),
    )
    (module,) = run_json("onboard-tests", "--link", path)["modules"]
    assert {t["monitor_id"] for t in module["tests"]} == expected


def test_freeze_frames_recorded_several_pids_at_once(run_json, tmp_path) -> None:
    path = session(
        tmp_path / "a.session.jsonl",
        answered("03", "43010102"),
        answered("020200", "4202000102"),
        answered("020C000D005C00", "420C001AF80D00325C0078"),
    )
    (module,) = run_json("codes", "--link", path)["modules"]
    (frame,) = module["freeze_frames"]
    assert frame["code"] == "P0102"
    values = {r["signal"]: r["value"] for r in frame["readings"]}
    assert (values["RPM"], values["VSS"]) == (1726, 50)
    assert values["EOT"] == 80  # not among the usual ones: asked since it was recorded


def test_codes_recorded_without_addresses_and_protocol(run_json, tmp_path) -> None:
    path = session(tmp_path / "a.session.jsonl", answered("03", "43010102", "unknown"))
    (module,) = run_json("codes", "--link", path)["modules"]
    assert [c["code"] for c in module["codes"]] == ["P0102"]


def test_the_vin_of_the_header_counts_where_the_car_was_not_asked(run, run_json, tmp_path) -> None:
    vin = "XX0SMVC31K0000103"  # invented
    path = session(tmp_path / "a.session.jsonl", answered("03", "43010102"), vehicle={"vin": vin})
    assert run_json("codes", "--link", path)["vehicle"]["vin"] == vin
    vehicle = run_json("vehicle", "--link", path)
    assert (vehicle["vin"], vehicle["vin_check"]) == (vin, "not-used")
    hostile = session(
        tmp_path / "b.session.jsonl", answered("03", "4300"), vehicle={"vin": "\x1b[2J" + "A" * 99}
    )
    assert "\x1b" not in run("vehicle", "--link", hostile).stdout


@pytest.mark.parametrize("command", ["readiness", "record", "watch"])
def test_what_a_recording_lacks_is_not_blamed_on_the_ignition(run, tmp_path, command) -> None:
    path = session(tmp_path / "a.session.jsonl", {"ask": "0902", "got": []}, answered("03", "4300"))
    said = run(command, "--link", path, code=SILENT).stderr
    assert "gnition" not in said
    assert "recording" in said


def test_the_list_of_signals_is_short_unless_asked_for(run, run_json) -> None:
    link = ("--link", "sim://healthy-petrol")
    short = run("vehicle", *link).stdout
    assert len(short.splitlines()) <= 25
    for name in ("MIL, DTC_CNT, IGN_TYPE, …", "RPM", "O2S2_SHRTFT", "--signals"):
        assert name in short
    long = run("vehicle", *link, "--signals").stdout
    assert len(long.splitlines()) > 45
    assert "Engine coolant temperature" in long
    engine = run_json("vehicle", *link)["modules"][0]
    status = next(s for s in engine["signals"] if s["pid"] == "01")
    assert status["label"].endswith(", …")
    assert len(status["names"]) > 20


def test_bank_3_is_listed_only_where_the_car_has_one(run_json, tmp_path) -> None:
    trims = answered("0100", "410006000008"), answered("0902", "490201" + "30" * 17)

    def labels(*more: dict[str, Any]) -> str:
        path = session(tmp_path / "a.session.jsonl", *trims, *more)
        (module,) = run_json("vehicle", "--link", path)["modules"]
        return " ".join(s["label"] for s in module["signals"])

    assert "bank 1" in labels()
    assert "bank 3" not in labels()
    assert "bank 3" not in labels(answered("011D", "411D03"))
    assert "bank 3" in labels(answered("011D", "411D13"))  # SAE J1979: bit 4 is B3S1


@pytest.mark.parametrize("link", ["", "  "])
def test_an_empty_link_is_no_link(run, monkeypatch, link) -> None:
    monkeypatch.setenv("OBDLOG_LINK", "sim://healthy-petrol")
    assert "not a usable link" in run("codes", "--link", link, code=LINK).stderr


def test_an_unknown_scheme_hears_all_that_there_are(run) -> None:
    said = " ".join(run("codes", "--link", "telepathy://car", code=LINK).stderr.split())
    assert "serial, socket, rfc2217, ble, sim, can, replay" in said


def test_ports_ends_with_the_links_code_where_no_named_port_is_an_adapter(run, run_json) -> None:
    assert "no-such-port" in run("ports", "--ask", "/dev/no-such-port", code=LINK).stdout
    (port,) = [
        p
        for p in run_json("ports", "--ask", "/dev/no-such-port", code=LINK)["ports"]
        if p["port"] == "/dev/no-such-port"
    ]
    assert port["error"]
    run("ports")


def test_ports_ends_in_order_where_one_of_the_named_answers(run, served_car) -> None:
    text = run("ports", "--ask", "/dev/no-such-port", "--ask", served_car).stdout
    assert "answers: ELM327-style" in " ".join(text.split())


def test_a_recording_is_no_adapter_to_measure(run, tmp_path) -> None:
    path = session(tmp_path / "a.session.jsonl", answered("03", "4300"))
    said = run("adapter", "--link", path, code=LINK).stderr
    assert said.count(".\n") == 1
    assert "is a recording" in said


def test_a_can_interface_is_no_adapter_to_measure(run) -> None:
    said = run("adapter", "--link", "can://virtual/no-adapter", code=LINK).stderr
    assert "is a CAN interface" in " ".join(said.split())


@pytest.mark.skipif(os.name == "nt", reason="pipes of POSIX")
def test_a_reader_that_goes_away_is_no_fault_of_ours() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with subprocess.Popen(
        [sys.executable, "-m", "obdlog", "explain", "ECT"], stdout=writing, stderr=subprocess.PIPE
    ) as process:
        os.close(writing)
        _, stderr = process.communicate(timeout=60)
    assert (process.returncode, stderr) == (0, b"")
