"""Running commands: in process, and against a simulated car in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from typer.testing import CliRunner

from obdlog.cli.app import app

Run = Callable[..., Any]
START_S = 30


@pytest.fixture
def run(tmp_path, monkeypatch) -> Run:
    """Run a command in an empty folder, without the machine's own settings."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("OBDLOG_LINK", raising=False)
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))

    def run(*args: object, code: int = 0, stdin: str | None = None) -> Any:
        result = CliRunner().invoke(app, [str(a) for a in args], input=stdin)
        assert result.exit_code == code, (result.exit_code, result.stdout, result.stderr)
        assert "Traceback" not in result.output
        return result

    return run


@pytest.fixture
def run_json(run) -> Run:
    """Run a command with ``--json`` and return the object it prints."""

    def run_json(*args: object, code: int = 0) -> Any:
        lines = run(*args, "--json", code=code).stdout.splitlines()
        assert len(lines) == 1
        return json.loads(lines[0])

    return run_json


def serve(*args: str) -> tuple[subprocess.Popen[str], str]:
    """Start ``obdlog simulate --tcp 0`` and return the process and its link URL."""
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "obdlog", "simulate", "--tcp", "0", *args],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
    )
    assert process.stdout is not None
    for line in process.stdout:
        if " at socket://" in line:
            return process, line.split(" at ")[1].strip()
    raise AssertionError("the simulated car did not start")


@pytest.fixture
def served_car() -> Iterator[str]:
    """A simulated car in another process, as from repair; the value is its link URL."""
    process, url = serve("airbox-repair")
    yield url
    process.terminate()
    process.wait(timeout=START_S)
    assert process.stdout is not None
    process.stdout.close()


@pytest.fixture
def driving_car() -> Iterator[str]:
    """A healthy simulated car on the road, in another process."""
    process, url = serve("healthy-petrol", "--drive", "road-test")
    yield url
    process.terminate()
    process.wait(timeout=START_S)
    assert process.stdout is not None
    process.stdout.close()
