from __future__ import annotations

from pathlib import Path

from analysis.checks.document import build_document
from analysis.checks.registry import all_checks


def test_the_document_is_in_step_with_the_checks():
    written = Path(__file__).parents[3] / "docs" / "checks.md"
    assert written.read_text(encoding="utf-8") == build_document(), (
        "run: python -m analysis.checks.document > docs/checks.md"
    )


def test_every_check_is_documented():
    text = build_document()
    for check in all_checks():
        assert f"### {check.name}\n" in text
        assert check.source in text
