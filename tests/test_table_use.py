"""A command reads the tables that it needs and no others, seen from what Python opens."""

from __future__ import annotations

import subprocess
import sys

import pytest

PROGRAM = """
import os, sys
opened = set()
def watch(event, args):
    if event == "open" and isinstance(args[0], str) and not args[0].endswith((".py", ".pyc")):
        folder, name = os.path.split(args[0])
        if os.path.basename(folder) == "tables":
            opened.add(name)
sys.addaudithook(watch)
from obdlog.cli.app import app
try:
    app(sys.argv[1:])
except SystemExit as stop:
    assert stop.code in (0, None), stop.code
sys.stderr.write("\\n" + " ".join(sorted(opened)))
"""

SIGNALS = {"j1979_signals.csv", "j1979_lookups.csv"}
PARTS = {"j2012_components.csv", "j2012_faults.csv"}
FAMILIES = {
    "j2012_families.csv",
    "j2012_failure_types.csv",
    "j2012_older_numbering.csv",
}
TOPICS = {"judgement_rules.toml", "judgement_topics.toml", "judgement_advice.toml"}
CODES = PARTS | FAMILIES | TOPICS
POWERTRAIN_0_6 = "j2012_p00_p06.csv"


def tables_opened(folder, *args: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *args],
        cwd=folder,
        capture_output=True,
        encoding="utf-8",
        env={"XDG_CONFIG_HOME": str(folder), "PATH": "", "HOME": str(folder)},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return set(done.stderr.rsplit("\n", 1)[1].split())


@pytest.mark.parametrize(
    "args",
    [
        ["--help"],
        ["--version"],
        ["ports"],
        ["codes", "--help"],
        ["record", "--help"],
        ["decode", "--help"],
    ],
    ids=" ".join,
)
def test_a_command_that_needs_no_table_opens_none(args, tmp_path):
    assert tables_opened(tmp_path, *args) == set()


@pytest.mark.parametrize(
    ("args", "needed", "possible"),
    [
        (["decode", "410C1AF8"], {"j1979_signals.csv"}, SIGNALS),
        (["decode", "7F0112"], set(), set()),
        (["decode", "43010102"], {POWERTRAIN_0_6}, {POWERTRAIN_0_6} | PARTS | FAMILIES),
        (["explain", "P0442"], {POWERTRAIN_0_6} | PARTS, CODES | SIGNALS),
        (["explain", "P0A80"], {"j2012_p0a_p0f.csv"} | PARTS, CODES | SIGNALS),
        # What it commonly brings along is searched in the families that can hold it.
        (["explain", "P0102"], {POWERTRAIN_0_6, "j2012_p20_p22.csv"}, CODES | SIGNALS),
        (["explain", "RPM"], {"j1979_signals.csv"}, SIGNALS | PARTS | FAMILIES | TOPICS),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_command_opens_the_tables_of_what_it_shows(args, needed, possible, tmp_path):
    opened = tables_opened(tmp_path, *args)
    assert needed <= opened
    assert opened <= possible | needed
