"""Every source that a table or a docstring cites has its entry in docs/references.md."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from obdlog.tables.signals import all_signals

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "references.md").read_text(encoding="utf-8")
ENTRIES = dict(re.findall(r"^\| ([^|]+?) \| (.+) \|$", TEXT, re.MULTILINE))

STANDARD = re.compile(
    r"\b(?:ISO \d+(?:-\d)?|SAE J\d+(?:-(?:\d+|DA))?|\d+ CFR (?:part )?\d+(?:\.\d+)?"
    r"|13 CCR \d+\.\d|NIST SP \d+|RFC ?\d+|IEC \d+|UN R\d+)\b"
)
KEY = re.compile(r"\b(?:[A-Z0-9]+-)+[A-Z0-9]+\b|one public (?:table|list)|public code|from memory")


def sources(*endings: str) -> list[Path]:
    found = [p for e in endings for part in ("obdlog", "analysis") for p in (ROOT / part).rglob(e)]
    assert found
    return sorted(found)


def cited_in_tables() -> Iterator[tuple[str, str]]:
    for path in sources("*.csv"):
        rows = csv.DictReader(path.read_text(encoding="utf-8").splitlines())
        if {"source", "checked"} <= set(rows.fieldnames or ()):
            for row in rows:
                yield path.name, row["source"]
                yield path.name, row["checked"]


CITED = sorted(set(cited_in_tables()))


@pytest.mark.parametrize(("table", "cell"), CITED)
def test_a_table_cites_only_what_is_listed(table: str, cell: str) -> None:
    keys = KEY.findall(cell)
    assert keys, cell
    assert set(keys) <= ENTRIES.keys()


def test_the_tables_cite_public_works() -> None:
    cited = {key for _table, cell in CITED for key in KEY.findall(cell)}
    assert {"WIKI-OBD2", "OPEN-J1979", "SCAPY-OBD", "SAE-J1699-3"} <= cited


@pytest.mark.parametrize("path", sources("*.py", "*.toml"), ids=lambda p: p.name)
def test_a_standard_that_is_named_is_listed(path: Path) -> None:
    named = set(STANDARD.findall(path.read_text(encoding="utf-8")))
    said = " ".join([*ENTRIES, *ENTRIES.values()])
    assert {name for name in named if name not in said} == set()


def test_a_standard_that_is_sold_says_whether_it_was_read() -> None:
    """ISO and SAE documents; the published test source of SAE J1699-3 is public."""
    sold = {k: v for k, v in ENTRIES.items() if re.match(r"(ISO|SAE|IEC)-", k)}
    open_words = ("Not read", "from memory", "published test source")
    assert {k for k, v in sold.items() if not any(w in v for w in open_words)} == set()


READINESS = {0x01, 0x41}
"""Their worked values stand in test_monitors.py: one reply holds all their bits."""


def test_a_signal_called_checked_has_worked_values_from_one_of_its_sources() -> None:
    worked: dict[str, str] = {}
    for name in ("signals.csv", "signals_60_ff.csv"):
        text = Path(__file__).with_name(name).read_text(encoding="utf-8")
        for row in csv.DictReader(text.splitlines()):
            worked[row["signal"]] = worked.get(row["signal"], "") + " " + row["source"]
    unproven = [
        signal.name
        for signal in all_signals()
        if signal.pid not in READINESS
        and signal.codec != "raw"
        and "from memory" not in signal.checked
        and "SCAPY-OBD" not in signal.checked  # compared byte by byte in test_second_opinion.py
        and not any(key in worked.get(signal.name, "") for key in KEY.findall(signal.checked))
    ]
    assert unproven == []
