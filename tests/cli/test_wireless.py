"""Bluetooth LE from the command line, against devices behind bleak's own boundary."""

from __future__ import annotations

import sys

import pytest
from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason

from obdlog.links import ble_scan
from tests.links.le_radio import URL, Device, advertising, in_reach, plug_into

LINK = 3
FAR = {"address": "02:00:00:00:00:0A", "name": "far", "rssi": -90, "services": ["FFF0", "180F"]}
NEAR = {"address": "02:00:00:00:00:0B", "system": "near", "rssi": -40, "services": ["FFF0"]}
LOUD = {"address": "02:00:00:00:00:0C", "name": "watch", "rssi": -20, "services": ["180D"]}


@pytest.fixture(autouse=True)
def _no_time(monkeypatch) -> None:
    monkeypatch.setattr(ble_scan, "SCAN_S", 0.0)


def test_devices_are_listed_as_links_likely_and_near_ones_first(run_json) -> None:
    with advertising(LOUD, FAR, NEAR) as done:
        heard = run_json("ports", "--wireless")["wireless"]
    assert heard == [
        {"link": "ble://02:00:00:00:00:0B", "name": "near", "signal_dbm": -40,
         "services": ["FFF0"]},
        {"link": "ble://02:00:00:00:00:0A", "name": "far", "signal_dbm": -90,
         "services": ["FFF0"]},
        {"link": "ble://02:00:00:00:00:0C", "name": "watch", "signal_dbm": -20,
         "services": []},
    ]  # fmt: skip
    assert done == ["start", "stop"]


def test_nobody_listens_without_being_asked(run_json) -> None:
    with advertising(NEAR) as done:
        assert run_json("ports")["wireless"] is None
    assert done == []


def test_the_list_says_what_to_do_next(run) -> None:
    with advertising(NEAR, LOUD):
        said = " ".join(run("ports", "--wireless").stdout.split())
    assert "ble://02:00:00:00:00:0B" in said
    assert "none advertised" in said
    assert "none was connected to" in said
    assert "--link ble://ADDRESS" in said


def test_silence_is_said(run) -> None:
    with advertising():
        assert "No Bluetooth LE device heard" in run("ports", "--wireless").stdout


def test_what_strangers_call_their_devices_cannot_reach_the_terminal(run, run_json) -> None:
    bad = {"name": "\x1b[2J\x07[red]" + "x" * 500 + "\u202e", "rssi": 10**9, "services": ["FFF0"]}
    with advertising(bad):
        text = run("ports", "--wireless").stdout
        (heard,) = run_json("ports", "--wireless")["wireless"]
    assert not any(c in text for c in "\x1b\x07\u202e")
    assert len(heard["name"]) <= 80
    assert heard["signal_dbm"] is None


def test_a_crowd_is_bounded(run_json) -> None:
    crowd = [
        {"address": f"02:00:00:00:{n // 256:02X}:{n % 256:02X}", "name": f"n{n}"}
        for n in range(ble_scan.MOST_DEVICES + 50)
    ]
    with advertising(*crowd):
        assert len(run_json("ports", "--wireless")["wireless"]) == ble_scan.MOST_DEVICES


def test_bluetooth_that_is_off_is_one_sentence(run) -> None:
    off = BleakBluetoothNotAvailableError("off", BleakBluetoothNotAvailableReason.POWERED_OFF)
    with advertising(failure=off):
        said = run("ports", "--wireless", code=LINK).stderr
    assert "Bluetooth is turned off" in said
    assert "settings" in said


def test_without_the_extra_it_says_how_to_get_it(run, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "bleak", None)
    said = run("ports", "--wireless", code=LINK).stderr
    assert "pip install obdlog[ble]" in " ".join(said.split())
    run("ports")


def test_a_device_that_was_named_is_asked(run_json) -> None:
    device = Device()
    plug_into(device, "airbox-repair")
    with in_reach(device):
        asked = [p for p in run_json("ports", "--ask", URL)["ports"] if p["port"] == URL]
    assert asked[0]["adapter"] is True
    assert device.let_go == 1


def test_codes_read_by_radio_are_the_codes_of_the_car(run_json) -> None:
    device = Device()
    plug_into(device, "airbox-repair")
    with in_reach(device):
        by_radio = run_json("codes", "--link", URL)
    direct = run_json("codes", "--link", "sim://airbox-repair")
    assert by_radio["modules"]
    assert by_radio["vehicle"] == direct["vehicle"]
    for module, same in zip(by_radio["modules"], direct["modules"], strict=True):
        assert module["address"] == same["address"]
        assert [c["code"] for c in module["codes"]] == [c["code"] for c in same["codes"]]
