"""What was imported can be asked, compared and exported like any other session."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from obdlog.cli.app import app
from obdlog.session.reader import read_session

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs" / "airbox-before.session.jsonl"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("OBDLOG_LINK", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))

    def run(*args: object, code: int = 0) -> Any:
        result = CliRunner().invoke(app, [str(a) for a in args])
        assert result.exit_code == code, (result.exit_code, result.output)
        return result

    return run


@pytest.mark.parametrize("name", ["capture.log", "capture.asc"])
@pytest.mark.parametrize("command", ["codes", "vehicle", "readiness"])
def test_a_capture_answers_like_the_session_it_came_from(run, name, command) -> None:
    said = run("export", SAMPLE, name)
    assert "rebuilt from the messages" in " ".join(said.stdout.split())
    run("import", name, "--out", "again.session.jsonl")
    here = json.loads(run(command, "--link", SAMPLE, "--json").stdout)
    there = json.loads(run(command, "--link", "again.session.jsonl", "--json").stdout)
    assert [m["address"] for m in there["modules"]] == [m["address"] for m in here["modules"]]
    for ours, theirs in zip(there["modules"], here["modules"], strict=True):
        for key in ("codes", "monitors", "calibrations", "signals", "freeze_frames", "lamp"):
            assert _without_judgement(ours.get(key)) == _without_judgement(theirs.get(key))


def _without_judgement(value: Any) -> Any:
    """Return codes without what depends on the work done, which no capture tells."""
    drop = {"judgement", "because"}
    if isinstance(value, list):
        return [_without_judgement(v) for v in value]
    if isinstance(value, dict):
        return {k: v for k, v in value.items() if k not in drop}
    return value


def test_the_commands_of_the_page_on_captures_run(run, tmp_path) -> None:
    (tmp_path / "tests").symlink_to(ROOT / "tests")
    page = (ROOT / "docs" / "captures.md").read_text(encoding="utf-8")
    block = page.split("```sh\n")[1].split("```")[0]
    for line in block.splitlines():
        run(*line.split()[1:])
    assert (tmp_path / "again.log").stat().st_size > 10_000


def test_what_was_left_out_is_said_for_people(run, tmp_path) -> None:
    (tmp_path / "capture.log").write_text(
        "(1.000000) can0 7DF#02010C\nno frame\n(1.010000) can0 7E8#04410C1FD0\n"
        "(2.000000) can0 7E8#2130303030303030\n(3.000000) can0 7B8#0462F19031\n",
        encoding="utf-8",
    )
    result = run("import", "capture.log")
    out, err = " ".join(result.stdout.split()), " ".join(result.stderr.split())
    assert "Frames 4 seen, 3 of them diagnostic" in out
    assert "Left out 1" in out
    assert "Faults 1" in out
    assert "line 2 is no line of a candump log" in err
    assert "7E8: consecutive frame without a first frame" in err
    assert "not taken for diagnostics, for want of proof: 7B8" in err


def test_readings_from_csv_are_imported_as_before(run, tmp_path) -> None:
    (tmp_path / "drive.csv").write_text("time_s,pid,value\n0,0C,800\n1,0C,900\n", encoding="utf-8")
    document = json.loads(run("import", "drive.csv", "--json").stdout)
    assert (document["rows"], document["readings"], document["skipped"]) == (2, 2, 0)


def test_a_log_with_readings_is_read_as_such_when_its_columns_are_named(run, tmp_path) -> None:
    (tmp_path / "drive.log").write_text("time_s,what,v\n0,0C,800\n", encoding="utf-8")
    document = json.loads(
        run("import", "drive.log", "--key", "what", "--value", "v", "--json").stdout
    )
    assert document["readings"] == 1


@pytest.mark.parametrize("name", ["out.log", "out.asc"])
def test_a_session_of_an_older_bus_has_no_can_frames(run, name) -> None:
    source = ROOT / "sample_logs" / "legacy-vpw-codes.session.jsonl"
    result = run("export", source, name, code=6)
    assert "a bus before CAN" in " ".join(result.stderr.split())


def test_a_packed_capture_gets_a_plain_name(run, captures, tmp_path) -> None:
    content = (captures / "ecu_replies_7e8.log").read_bytes()
    (tmp_path / "drive.log.gz").write_bytes(gzip.compress(content))
    run("import", "drive.log.gz", "--fuel", "petrol", "--displacement", "1.8", "--note", "invented")
    header = read_session(tmp_path / "drive.session.jsonl").header
    assert header.vehicle == {"fuel": "petrol", "displacement_l": 1.8}
    assert header.origin == "invented; capture drive.log.gz"
    assert header.software.startswith("obdlog ")
