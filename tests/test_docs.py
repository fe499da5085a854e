"""The documents say what the program does: every command, exit code and JSON format."""

from __future__ import annotations

import importlib
import inspect
import re
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from obdlog import errors
from obdlog.cli.app import COMMANDS, app

ROOT = Path(__file__).parent.parent
COMMANDS_PAGE = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("entry", COMMANDS, ids=lambda e: e.name)
def test_every_command_is_documented_and_explains_itself(entry):
    assert f"| `{entry.name}` |" in COMMANDS_PAGE
    module = importlib.import_module(f"obdlog.cli.commands.{entry.module}")
    assert inspect.getdoc(module.run)
    result = CliRunner().invoke(app, [entry.name, "--help"])
    assert result.exit_code == 0
    assert "Usage" in result.output


def test_every_exit_code_of_an_error_is_documented():
    codes = {
        kind.exit_code
        for kind in vars(errors).values()
        if isinstance(kind, type) and issubclass(kind, errors.ObdlogError)
    }
    documented = {int(n) for n in re.findall(r"^\| (\d+) \|", COMMANDS_PAGE, re.MULTILINE)}
    assert codes | {0, 2, 10, 130} <= documented


def test_readme_opens_with_the_job_in_one_paragraph():
    title, job, *_ = README.split("\n\n")
    assert title == "# obdlog"
    assert "\n" not in job
    for word in ("repair", "lamps", "evidence", "road-test log", "before and after"):
        assert word in job


def test_links_between_documents_lead_somewhere():
    missing = [
        f"{page.name}: {target}"
        for page in [*ROOT.glob("*.md"), *ROOT.glob("docs/*.md"), *ROOT.glob("sample_logs/*.md")]
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
        if not (page.parent / target).exists()
    ]
    assert missing == []


def test_help_lists_every_command_under_its_step():
    output = CliRunner().invoke(app, ["--help"]).output
    for entry in COMMANDS:
        assert entry.step in output
        assert f"  {entry.name}" in output


def test_every_command_module_is_listed():
    folder = ROOT / "obdlog" / "cli" / "commands"
    assert {p.stem for p in folder.glob("*.py")} - {"__init__"} == {e.module for e in COMMANDS}
    assert isinstance(app, typer.Typer)


DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_developers_page_names_files_that_exist():
    paths = re.findall(r"`((?:obdlog|analysis|docs|tests)/[\w./]+)`", DEVELOPERS)
    assert [path for path in paths if not (ROOT / path).exists()] == []
    assert len(paths) > 20


def test_the_developers_page_says_what_every_package_is_for():
    table = "\n".join(line for line in DEVELOPERS.splitlines() if line.startswith("| `"))
    first_cells = {name for line in table.splitlines() for name in line.split("|")[1].split("`")}
    parts = {
        path.stem if path.is_file() else path.name
        for path in (ROOT / "obdlog").iterdir()
        if path.suffix == ".py" or (path / "__init__.py").is_file()
    }
    assert parts - {"__init__", "__main__"} <= first_cells
