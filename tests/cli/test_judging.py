"""What check and plot show of a session, and what they do with one bad time stamp."""

from __future__ import annotations

import json
from pathlib import Path

import analysis.load

ROOT = Path(__file__).parents[2]
DRIVE = ROOT / "sample_logs" / "airbox-road-test.session.jsonl.gz"


def write_drive(path: Path, *extra_s: float) -> None:
    lines = [{"kind": "session", "version": 1, "started": "2026-01-01T00:00:00Z"}]
    lines += [
        {"kind": "exchange", "at": at, "ask": "010C", "got": [["7E8", "410C0C80", 0.0]]}
        for at in (*map(float, range(300)), *extra_s)
    ]
    path.write_text("\n".join(map(json.dumps, lines)) + "\n", encoding="utf-8")


def test_conditions_are_named_for_people(run):
    shown = run("check", DRIVE, "--all").stdout
    assert "warm idle" in shown
    for name in ("warm-idle", "key-on", "settled-drive", "full-throttle"):
        assert name not in shown


def test_a_stray_time_stamp_neither_hangs_nor_spoils_the_figure(run, tmp_path):
    write_drive(tmp_path / "a.session.jsonl", 9e8)
    result = run("plot", "a.session.jsonl", "--out", "a.svg")
    assert "Left out: 1 reading, up to 10,417 days away" in result.stderr
    assert (tmp_path / "a.svg").stat().st_size > 1000


def test_a_stray_time_stamp_is_named_in_the_report(run, tmp_path):
    write_drive(tmp_path / "01-road-test.session.jsonl", 9e8)
    result = run("report", tmp_path)
    assert "01-road-test.session.jsonl: Left out: 1 reading" in " ".join(result.stderr.split())
    assert "Left out: 1 reading" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_plot_decodes_a_session_once(run, tmp_path, monkeypatch):
    write_drive(tmp_path / "a.session.jsonl")
    loaded = []
    load = analysis.load.load

    def counted(path):
        loaded.append(path)
        return load(path)

    monkeypatch.setattr("analysis.load.load", counted)
    run("plot", "a.session.jsonl")
    assert len(loaded) == 1
