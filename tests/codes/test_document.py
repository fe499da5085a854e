"""docs/codes.md is generated from the tables and in step with them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from obdlog.codes.data import codes, components, faults
from obdlog.codes.document import codes_page
from obdlog.codes.meaning import failure_types, families
from obdlog.tables.code_text import code_number, code_text

PAGE = Path(__file__).parents[2] / "docs" / "codes.md"


def test_the_page_is_in_step() -> None:
    told = "run: python -m obdlog.codes.document > docs/codes.md"
    assert PAGE.read_text(encoding="utf-8") == codes_page(), told


def test_every_code_is_in_exactly_one_of_its_rows() -> None:
    listed: list[str] = []
    section = codes_page().split("## Codes with a meaning")[1].split("\n## ")[0]
    for line in section.splitlines():
        if line.startswith("| ") and line[3].isdigit():
            first, _, last = line.removeprefix("| ").split(" | ")[0].partition("–")
            numbers = range(code_number(first), code_number(last or first) + 1)
            listed += map(code_text, numbers)
    assert sorted(listed) == sorted(codes())


def test_families_faults_components_and_failure_types_are_on_it() -> None:
    page = codes_page()
    heads = [f"{family.prefix}…" for family in families()]
    heads += [*faults(), *components(), *(f"{number:02X}" for number, _ in failure_types())]
    assert [head for head in heads if f"\n| {head} | " not in page] == []


def test_the_module_writes_the_page() -> None:
    command = [sys.executable, "-m", "obdlog.codes.document"]
    done = subprocess.run(command, check=True, capture_output=True, timeout=60)
    assert done.stdout.decode() == codes_page()
