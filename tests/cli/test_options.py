"""Options, and the help that explains them at 80 columns."""

from __future__ import annotations

import re

import pytest
import typer

from obdlog.cli.app import COMMANDS
from obdlog.cli.options import LONGEST_S, parse_duration_s

USAGE = 2


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("10", 10), ("20s", 20), ("1.5s", 1.5), ("15m", 900), ("1h30m", 5400), ("720h", LONGEST_S)],
)
def test_durations(text: str, seconds: float) -> None:
    assert parse_duration_s(text) == seconds


@pytest.mark.parametrize(
    "text", ["", "soon", "0", "0s", "-5", "721h", "9999999999999h", "43201m", "1e9", "nan", "inf"]
)
def test_durations_that_are_none_or_beyond_bounds(text: str) -> None:
    with pytest.raises(typer.BadParameter):
        parse_duration_s(text)


def test_a_log_without_bounds_is_refused(run) -> None:
    link = ("--link", "sim://healthy-petrol")
    for command in ("record", "watch"):
        said = run(command, *link, "--for", "9999999999999h", code=USAGE).stderr
        assert "30 days" in " ".join(said.split())
        run(command, *link, "--for", "", code=USAGE)


@pytest.mark.parametrize("name", [entry.name for entry in COMMANDS])
def test_help_is_plain_and_fits(run, monkeypatch, name: str) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = run(name, "--help").stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "<bool>" not in text
    assert not re.search(r"[│╭╰]", text)
    for paragraph in text.split("\n\n")[1:2]:
        assert paragraph.startswith("  ")


@pytest.mark.parametrize(
    ("command", "kept"),
    [("check", ["began [m]", "displacement [L]"]), ("import", ["=SIGNAL[:UNIT]"]),
     ("record", ["or seconds", "30 days"])],
)  # fmt: skip
def test_units_in_brackets_survive(run, monkeypatch, command: str, kept: list[str]) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = " ".join(run(command, "--help").stdout.split())
    for words in kept:
        assert words in text


def test_a_paragraph_is_filled(run, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = run("decode", "--help").stdout.splitlines()
    at = next(i for i, line in enumerate(lines) if "Each REPLY is one payload" in line)
    assert len(lines[at]) > 60
    assert len(lines[at + 1]) > 60
