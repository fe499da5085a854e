"""docs/judgement.md is generated from the rules, in step with them, and leaves nothing out."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog.codes.conditions import CONDITIONS
from obdlog.codes.judge import load_rules
from obdlog.codes.rules_document import rules_page

PAGE = Path(__file__).parents[2] / "docs" / "judgement.md"


def test_the_page_is_in_step() -> None:
    told = "run: python -m obdlog.codes.rules_document > docs/judgement.md"
    assert PAGE.read_text(encoding="utf-8") == rules_page(), told


@pytest.mark.parametrize("name", [*(rule.id for rule in load_rules().rules), *CONDITIONS])
def test_every_rule_and_condition_is_documented(name: str) -> None:
    row = next(line for line in rules_page().splitlines() if line.startswith(f"| {name} |"))
    assert all(cell.strip() for cell in row.strip("|").split("|"))
