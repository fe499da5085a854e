"""The job with every module: read, judge, erase, key cycle, and which lamps should be out.

The car is simulated and invented. When lamps go out after an erase: common practice, no source.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from obdlog.session.reader import read_session
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.link import SimLink
from obdlog.transport.adapter_link import AdapterTransport

BRAKE, RESTRAINT, INSTRUMENTS, BODY = "7B8", "73F", "728", "77A"


@pytest.fixture
def car(monkeypatch) -> SimulatedCar:
    """One car for several commands; any link leads to it."""
    from obdlog.transport import registry

    car = SimulatedCar("airbox-repair")

    def open_transport(url: str, **_: Any) -> AdapterTransport:
        return AdapterTransport(SimLink(car.profile.scenario, car=car))

    monkeypatch.setattr(registry, "open_transport", open_transport)
    return car


def by_address(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {m["address"]: m for m in document["modules"]}


def erases(folder: Path) -> list[tuple[str, str]]:
    return [
        (e.request.target, e.request.payload.hex().upper())
        for path in sorted(folder.glob("*.session.jsonl"))
        for e in read_session(path).exchanges
        if e.request.service in (0x04, 0x14)
    ]


def test_the_story_from_lit_lamps_to_lamps_that_should_be_out(run, run_json, car):
    read = run_json(
        "codes", "--link", "car", "--every-module", "--case", "job",
        "--unplugged", "brake control module",
    )  # fmt: skip
    found = by_address(read)
    assert {BRAKE, RESTRAINT, INSTRUMENTS, BODY, "7E8"} <= set(found)
    assert {c["code"][0] for m in read["modules"] for c in m["codes"]} == set("PCBU")
    assert found[BRAKE]["lamp"] is True
    assert {c["judgement"] for c in found[BRAKE]["codes"]} <= {"after-effect", "follow-on"}

    result = run("clear", "--link", "car", "--every-module", "--yes", "--json", "--case", "job")
    # Beforehand: a lamp may wait for the key cycle.
    said = " ".join(result.stderr.split())
    assert "only after a key cycle" in said
    assert "Airbags and belt tensioners can injure" in said
    cleared = by_address(json.loads(result.stdout))
    assert all(m["accepted"] and m["sent"] for m in cleared.values())
    assert cleared[BRAKE]["before"] == ["C0034", "U0401"]
    assert (cleared[BRAKE]["after"], cleared[BRAKE]["lamp"]) == ([], True)
    assert "clear --after-key-cycle --case job" in " ".join(json.loads(result.stdout)["next_steps"])
    assert erases(Path("job")) == [
        ("720", "14FF00"),
        ("737", "14FFFFFF"),
        ("710", "14FFFFFF"),
        ("7B0", "14FFFFFF"),
        ("functional", "04"),
    ]

    waiting = run_json("clear", "--link", "car", "--after-key-cycle", "--case", "job")
    assert by_address(waiting)[BRAKE]["lamp"] == "still-requested"

    car.after_key_cycle()
    after = run_json("clear", "--link", "car", "--after-key-cycle", "--case", "job")
    assert by_address(after)[BRAKE]["lamp"] == "should-be-out"
    assert by_address(after)[BRAKE]["gone"] == ["C0034", "U0401"]
    assert set(after["lamps_that_should_be_out"]) >= {BRAKE, RESTRAINT, "7E8"}
    assert len(erases(Path("job"))) == 5


def test_one_module_alone(run_json, car):
    document = run_json(
        "clear", "--link", "car", "--module", "7B0", "--yes", "--case", "job", "--json"
    )
    assert [(m["address"], m["accepted"]) for m in document["modules"]] == [(BRAKE, True)]
    assert erases(Path("job")) == [("7B0", "14FFFFFF")]
    codes = by_address(run_json("codes", "--link", "car"))
    assert codes["7E8"]["codes"]


def test_what_is_erased_and_what_to_heed_is_shown_before_the_word_is_asked_for(run, car):
    result = run("clear", "--link", "car", "--module", "737", "--case", "job", stdin="no\n", code=5)
    said = " ".join(result.stderr.split())
    assert "module 73F: B0050" in said
    assert "P0102" not in said
    assert "Airbags and belt tensioners can injure" in said
    assert "counters; ISO" in said
    assert erases(Path("job")) == []


def test_codes_are_listed_by_module_before_the_erase_the_legislated_ones_first(run, car):
    result = run("clear", "--link", "car", "--every-module", "--case", "job", stdin="no\n", code=5)
    listed = result.stderr[result.stderr.index("Codes now stored") :]
    assert "module 77A: U0121, B1A2C" in listed
    assert listed.index("engine control (7E8): P0102") < listed.index("module 728: U0121")


def test_no_module_is_read_again_after_a_key_cycle_while_the_vehicle_moves(run, car):
    run("clear", "--link", "car", "--every-module", "--yes", "--case", "job")
    car.drive("road-test")
    car.clock.sleep_s(120.0)
    result = run("clear", "--link", "car", "--after-key-cycle", "--case", "job", code=5)
    assert "moves at" in result.stderr


def test_an_engine_that_runs_stops_all_erases(run, car):
    car.key("start")
    car.clock.sleep_s(5.0)
    result = run("clear", "--link", "car", "--every-module", "--yes", "--case", "job", code=5)
    assert "engine runs" in result.stderr
    assert not Path("job").exists()


def test_a_module_that_shows_nothing_outside_its_session_is_left_alone(run, monkeypatch, car):
    from obdlog.transport import registry

    other = SimulatedCar("awkward-modules")
    monkeypatch.setattr(
        registry,
        "open_transport",
        lambda url, **_: AdapterTransport(SimLink(other.profile.scenario, car=other)),
    )
    result = run(
        "clear", "--link", "car", "--every-module", "--yes", "--json", "--case", "job", code=5
    )
    modules = json.loads(result.stdout)["modules"]
    left = [m for m in modules if not m["sent"]]
    assert left
    assert any("--extended-session" in m["refusal"] for m in left)
    targets = [target for target, _ in erases(Path("job"))]
    assert len(targets) == len(set(targets))
    assert not {m["request"] for m in left} & set(targets)


@pytest.mark.parametrize("case", [[], ["--case", "empty"]])
def test_after_a_key_cycle_there_must_be_evidence(run, car, case):
    Path("empty").mkdir()
    result = run("clear", "--link", "car", "--after-key-cycle", *case, code=6 if case else 2)
    assert "evidence" in result.stderr
