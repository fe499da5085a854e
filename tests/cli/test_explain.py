"""What ``explain`` shows at several widths, and its JSON."""

from __future__ import annotations

import re

import pytest

from obdlog.cli import screen

CODES = [
    "P0102", "P0118", "P0171", "P0301", "P0420", "P0455", "P0562", "P0606", "P0700", "P0741",
    "P0A80", "P0AA6", "P2002", "P2463", "P20EE", "P2127", "P3400", "U0100", "U0121", "U0415",
    "C0035", "B0001", "P1234", "C1234", "U3000", "P0FFF", "P0562-16", "P056216",
]  # fmt: skip
KEYS = [
    "format", "kind", "name", "title", "meaning", "facts", "causes", "measure", "related",
    "safety", "watch", "brings_along", "comes_from", "monitors", "proof", "returns", "driving",
]  # fmt: skip


@pytest.fixture(params=[60, 80])
def width(request, monkeypatch) -> int:
    """A terminal of so many columns."""
    console = screen.console

    def narrow(**options):
        made = console(**options)
        made.width = request.param
        return made

    monkeypatch.setattr(screen, "console", narrow)
    return request.param


@pytest.mark.parametrize("code", CODES)
def test_no_line_is_wider_than_the_screen(run, width, code):
    shown = run("explain", code).stdout
    assert all(len(line) <= width for line in shown.splitlines())
    assert not re.search(r"[A-Za-z]\n\n\n", shown)


@pytest.mark.parametrize("code", CODES)
def test_it_says_what_to_do(run, width, code):
    shown = " ".join(run("explain", code).stdout.split())
    for said in ("names a circuit or a system, not a part", "What to measure", "Defined by"):
        assert said in shown
    if code not in {"P1234", "C1234", "P0FFF"}:
        assert "Likely causes" in shown
        assert "Is it repaired?" in shown


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("P0118", ["PID 05", "80 to 105 °C", "−40 °C: open circuit", "Thermostat"]),
        ("P0102", ["shares a plug with Intake air temperature sensor", "0.8 to 2.0 g/s", "P0170"]),
        ("P0301", ["flashing", "Misfire monitor must run again", "onboard-tests"]),
        ("P0420", ["repair misfire", "Catalyst monitor", "comes from Ignition coil"]),
        ("P0562-16", ["16: voltage too low", "12.4 to 12.8 V"]),
        ("P056216", ["16: voltage too low"]),
        ("P2127", ["5 V reference", "limited to idle"]),
        ("P2463", ["0 to 2 kPa", "Particulate filter monitor", "regenerat"]),
        ("P0AA6", ["hundred volts", "orange cables", "trained people"]),
        ("U0121", ["not the one that reports it", "No readiness monitor"]),
        ("B0001", ["ohmmeter", "Do not measure and do not unplug"]),
        ("P1234", ["the maker", "maker's documents", "injectors"]),
        ("P0FFF", ["no public list", "hundred volts"]),
    ],
)
def test_what_each_must_not_leave_out(run, code, words):
    shown = " ".join(run("explain", code).stdout.split()).lower()
    assert [word for word in words if word.lower() not in shown] == []


def test_the_json_is_complete_and_stable(run_json):
    found = run_json("explain", "P0118")
    assert list(found) == KEYS
    assert found["format"] == "obdlog.explanation/1"
    assert found["watch"][0] == {
        "signal": "ECT", "label": "Engine coolant temperature", "pid": "05", "unit": "°C",
        "low": -40.0, "high": 215.0, "expected": "80 to 105 °C when warm and driving",
        "source": "common practice, no source",
        "at_its_end": [
            {"reading": "−40 °C", "meaning": "open circuit: unplugged, broken wire"},
            {"reading": "140 °C or more", "meaning": "signal wire shorted to earth"},
        ],
    }  # fmt: skip
    assert found["monitors"] == [
        {
            "monitor": "components",
            "title": "Component monitor",
            "completes": "Runs all the time; complete soon after starting.",
        }
    ]
    assert {"name": "Cooling fan", "codes": "P0480–P0483"} in found["brings_along"]


@pytest.mark.parametrize("what", ["ECT", "catalyst", "airbag", "70", "P1234"])
def test_everything_has_the_same_keys(run_json, what):
    assert list(run_json("explain", what)) == KEYS


def test_a_closed_list_and_a_set_of_bits_are_listed(run):
    assert "diesel · LPG" in " ".join(run("explain", "FUEL_TYPE").stdout.split())
    bits = " ".join(run("explain", "FUELSYS1").stdout.split())
    assert "any of:" in bits
    assert "closed loop · open loop: load or overrun" in bits


def test_each_signal_of_a_pid_has_its_range(run):
    shown = run("explain", "70").stdout
    assert "BP_A_ACT" in shown
    assert "0 to 2047.96875 kPa" in shown
