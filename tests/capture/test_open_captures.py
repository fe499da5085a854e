"""The two open captures (Apache License 2.0, see tests/data/can_captures/NOTICE.md)."""

from __future__ import annotations

import json
from pathlib import Path

import can
import pytest
from typer.testing import CliRunner

from analysis.load import load
from obdlog.cli.app import app


@pytest.fixture
def replies(captures, tmp_path) -> Path:
    target = tmp_path / "replies.session.jsonl"
    result = CliRunner().invoke(
        app, ["import", str(captures / "ecu_replies_7e8.log"), "--out", str(target), "--json"]
    )
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["format"] == "obdlog.import/1"
    assert document["frames"] == document["diagnostic_frames"] == document["exchanges"] == 500
    assert document["inferred"] == document["readings"] == 500
    assert (document["skipped"], document["skipped_lines"], document["faults"]) == (0, [], [])
    assert document["modules"] == [
        {"address": "7E8", "request": "7E0", "name": "engine control", "messages": 500}
    ]
    assert document["seconds"] == pytest.approx(99.8)
    return target


def test_five_hundred_engine_speeds_come_out(replies, captures) -> None:
    """SAE J1979: PID 0C is (256 A + B) / 4; python-can's own reader gives the bytes."""
    with can.LogReader(captures / "ecu_replies_7e8.log") as log:
        frames = list(log)
    expected = [(256 * f.data[3] + f.data[4]) / 4 for f in frames]
    data = load(replies)
    speeds = data.readings[data.readings["signal"] == "RPM"]
    assert speeds["value"].tolist() == expected
    assert (len(expected), min(expected), max(expected)) == (500, 2036.0, 2048.25)
    zero = frames[0].timestamp
    assert speeds["at_s"].tolist() == pytest.approx([f.timestamp - zero for f in frames], abs=1e-6)
    assert data.header["started"] == "2018-03-13T14:23:20Z"
    assert data.header["transport"] == "can"
    assert data.complete


def test_check_and_plot_take_the_session(replies, tmp_path) -> None:
    checked = CliRunner().invoke(app, ["check", str(replies), "--json"])
    assert checked.exit_code == 0, checked.output
    assert json.loads(checked.stdout)["format"] == "obdlog.check/1"
    figure = tmp_path / "speed.svg"
    plotted = CliRunner().invoke(app, ["plot", str(replies), "--out", str(figure)])
    assert plotted.exit_code == 0, plotted.output
    assert figure.stat().st_size > 1000


def test_body_traffic_is_never_taken_for_diagnostics(captures, tmp_path) -> None:
    target = tmp_path / "none.session.jsonl"
    result = CliRunner().invoke(
        app,
        ["import", str(captures / "body_traffic_no_diagnostics.log"), "--out", str(target)],
    )
    assert result.exit_code == 6
    assert "no diagnostic messages found in 3,028 frames" in " ".join(result.stderr.split())
    assert not target.exists()


def test_a_file_is_never_overwritten(captures, tmp_path) -> None:
    target = tmp_path / "kept.session.jsonl"
    target.write_text("mine", encoding="utf-8")
    result = CliRunner().invoke(
        app, ["import", str(captures / "ecu_replies_7e8.log"), "--out", str(target)]
    )
    assert result.exit_code == 6
    assert target.read_text(encoding="utf-8") == "mine"
