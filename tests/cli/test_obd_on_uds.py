"""A car after SAE J1979-2 through the same commands, with the same JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from obdlog.session.reader import read_session
from obdlog.transport import registry
from obdlog.transport.base import BusProtocol, Transport
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


class KeptRoad:
    """One road through all commands of a test, so that the simulated car remembers its erase.

    Its time is simulated; a car in a process of its own lives in real time.
    """

    def __init__(self, road: Transport) -> None:
        self._road = road

    def __getattr__(self, name: str) -> Any:
        return getattr(self._road, name)

    def connect(self) -> BusProtocol:
        return self._road.protocol or self._road.connect()

    def close(self) -> None:
        """Stay open."""


@pytest.fixture
def car(monkeypatch) -> Iterator[str]:
    """A simulated car of the newer generation that lives as long as the test; its link URL."""
    url = "sim://obd-on-uds"
    road = registry.open_transport(url)
    monkeypatch.setattr(registry, "open_transport", lambda *_, **__: KeptRoad(road))
    yield url
    road.close()


def test_the_job_over_an_adapter(run, run_json, car, tmp_path):
    link = ("--link", car)
    case = ("--case", "job")
    work = ("--unplugged", "mass air flow sensor")

    codes = run_json("codes", *link, *case, *work)
    engine = codes["modules"][0]
    assert (engine["address"], engine["answered"], engine["lamp"]) == ("7E8", True, True)
    read = {(c["code"], c["failure_type"]): c for c in engine["codes"]}
    assert read.keys() == {("P0102", "16"), ("P0113", "15"), ("P0171", "00"), ("P0442", "00")}
    assert "permanent" in read["P0102", "16"]["status"]
    assert "pending" in read["P0171", "00"]["status"]
    assert read["P0102", "16"]["judgement"] == "after-effect"
    frame = next(f for f in engine["freeze_frames"] if f["code"] == "P0102")
    assert {r["signal"]: r["value"] for r in frame["readings"]}["RPM"] == 820

    # By the wire: no service of SAE J1979 was asked once the car was known.
    session = read_session(tmp_path / "job" / "01-codes.session.jsonl")
    assert {e.request.service for e in session.exchanges} <= {0x19, 0x22}

    cleared = run_json("clear", *link, *case, "--yes")
    (module,) = (m for m in cleared["modules"] if m["address"] == "7E8")
    assert module["accepted"] is True
    assert "P0113" in module["before"]
    assert module["after"] == ["P0102"]  # the permanent one
    after = read_session(tmp_path / cleared["read_back"])
    assert [e.request.payload.hex() for e in after.exchanges].count("14ffff33") == 1

    readiness = run_json("readiness", *link, *case)
    assert any(m["supported"] and not m["complete"] for m in readiness["modules"][0]["monitors"])
    assert {g["group"] for g in readiness["groups"]} == {"01", "02", "03", "04"}

    recording = run_json("record", *link, *case, "--for", "4s")
    assert (recording["gaps"], recording["lost_exchanges"]) == (0, 0)
    assert recording["readings"] > 0
    log = read_session(tmp_path / recording["file"])
    polls = [e.request.payload for e in log.exchanges if e.request.purpose == "poll"]
    assert max(map(len, polls)) == 7  # 22 and three identifiers

    run("codes", *link, *case)
    assert run_json("check", recording["file"])["findings"]
    figure = run("plot", recording["file"]).stdout.strip()
    assert (tmp_path / figure).read_bytes().startswith(b"\x89PNG")
    comparison = run_json("compare", "job")
    assert {c["code"] for c in comparison["gone"]} == {"P0113", "P0171", "P0442"}
    assert [c["code"] for c in comparison["remaining"]] == ["P0102"]
    report = tmp_path / run("report", "job").stdout.strip()
    assert "P0442" in report.read_text(encoding="utf-8")


FORMATS = [
    ("vehicle", ()),
    ("codes", ()),
    ("readiness", ()),
    ("onboard-tests", ()),
    ("record", ("--for", "20s")),
]


@pytest.mark.parametrize(("command", "more"), FORMATS, ids=[name for name, _ in FORMATS])
def test_both_generations_print_documents_with_the_same_keys(run_json, tmp_path, command, more):
    classic = run_json(command, "--link", "sim://healthy-petrol", *more)
    for path in tmp_path.glob("drive-*.jsonl"):
        path.unlink()  # the same second gives the same name
    newer = run_json(command, "--link", "sim://obd-on-uds", *more)
    assert list(newer) == list(classic)
    if "modules" in classic:
        assert list(newer["modules"][0]) == list(classic["modules"][0])


def test_a_session_of_the_simulated_car_replays_the_same(run_json):
    for command in ("vehicle", "codes", "readiness", "onboard-tests"):
        path = f"{command}.session.jsonl"
        live = run_json(command, "--link", "sim://obd-on-uds", "--save", path)
        assert run_json(command, "--link", path)["modules"] == live["modules"]


def test_watched(run):
    assert "Engine speed" in run("watch", "--link", "sim://obd-on-uds", "--for", "3s").stdout
