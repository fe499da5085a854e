"""Lists of code numbers, as the tests of codes type them from public lists.

A row states a run: its first number, a place that may count (``bank 1..2``, ``A..C``), and one
word for the kind of fault of each number, ``-`` where the lists name none.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path

from obdlog.tables.code_text import code_number, code_text

HERE = Path(__file__).parent


def rows(name: str) -> Iterator[dict[str, str]]:
    """Yield the rows of a file, without its comments."""
    with (HERE / name).open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(line for line in file if not line.startswith("#"))


def numbered(name: str) -> Iterator[tuple[str, str, str, dict[str, str]]]:
    """Yield code, place and kind of fault of each number in a file, and the row it stands in."""
    for row in rows(name):
        number = code_number(row["first"])
        for place in _places(row["place"]):
            for kind in row["kinds"].split():
                if kind != "-":
                    yield code_text(number), place, kind, row
                number += 1


def _places(text: str) -> list[str]:
    counting = re.fullmatch(r"(.*?)(\w+)\.\.(\w+)", text)
    if counting is None:
        return [text]
    before, first, last = counting.groups()
    if first.isdigit():
        return [f"{before}{n}" for n in range(int(first), int(last) + 1)]
    return [f"{before}{chr(n)}" for n in range(ord(first), ord(last) + 1)]
