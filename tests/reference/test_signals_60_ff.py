"""Worked values of the signals of PIDs 60 to FF.

``signals_60_ff.csv`` holds, for every field that a public source describes, minimum, one step, a
middle and maximum with its support bit set, and no value (an empty cell, "not available") with
that bit alone clear; flags both ways; texts of enumerations; and the other lengths and scales of
PIDs 6B, 6F, 81, 82, 83, 89 and 8A. Bytes that do not belong to the field are 5A, so that a field
read from the wrong place shows. Values are worked from the formula of the published source in
the last column: a key of docs/references.md, or "SAE-J1979 from memory" where no public copy was
at hand. A number behind the key is a scale or a maximum as its source prints it, rounded: such
values agree within half a unit of its last digit.

What these rows do not prove: the wording of closed lists is the project's own, and only which
number bears which meaning is the source's. The source of PID C5 prints a range alone, so that its
layout is inferred. The rows of PIDs 88, 90, 91, 94, A9, C5 and C6, the gear of 65 and the states
of 70 and 71 were typed with the table in sight, all others without. Layouts that stand in the
table from memory alone (A1, the charging states of 9A) have no rows: a copy would be no check.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from fractions import Fraction
from pathlib import Path

import pytest

from obdlog.tables.decode import decode_pid
from obdlog.tables.encode import encode_pid
from obdlog.tables.signals import Signal, all_signals, by_pid

TEXT = Path(__file__).with_name("signals_60_ff.csv").read_text(encoding="utf-8")
ROWS = list(csv.DictReader(TEXT.splitlines()))
REFERENCES = Path(__file__).parents[2] / "docs" / "references.md"


def name_of(row: dict[str, str]) -> str:
    return f"{row['pid']}-{row['signal']}-{row['data']}"


def signal_of(row: dict[str, str]) -> Signal:
    size = len(row["data"]) // 2
    found = [s for s in by_pid(int(row["pid"], 16)) if s.name == row["signal"]]
    return next(s for s in found if size in s.lengths)


def worked(row: dict[str, str]) -> object:
    """Return the value of a row, a number with the tolerance that its source allows."""
    text, (_key, _, printed) = row["value"], row["source"].partition(":")
    if text in ("true", "false"):
        return text == "true"
    if not text:
        return None
    if not signal_of(row).numeric:
        return text
    value = float(text)
    return pytest.approx(value, rel=rounding(printed) if printed else 1e-12, abs=1e-12)


def rounding(printed: str) -> float:
    """Return the relative uncertainty of a printed decimal: half a unit of its last digit."""
    half = Fraction(1, 2 * 10 ** len(printed.strip().partition(".")[2]))
    return float(half / Fraction(printed.strip()))


@pytest.mark.parametrize("row", ROWS, ids=name_of)
def test_a_worked_value_is_decoded(row: dict[str, str]) -> None:
    found = [
        r
        for r in decode_pid(int(row["pid"], 16), bytes.fromhex(row["data"]))
        if r.signal == row["signal"]
    ]
    assert len(found) == 1
    assert (found[0].unit, found[0].pid) == (row["unit"], row["pid"])
    if isinstance(worked(row), bool) or worked(row) is None:
        assert found[0].value is worked(row)
    else:
        assert found[0].value == worked(row)


NUMBERS = [row for row in ROWS if row["value"] and signal_of(row).numeric]
WIDE = {("6B", "one public table"), ("6F", "one public table")}
"""Scales that a reply chooses by support bits; encoding a value takes the standard scale."""


@pytest.mark.parametrize(
    "row", [r for r in NUMBERS if (r["pid"], r["source"]) not in WIDE], ids=name_of
)
def test_a_worked_value_is_encoded(row: dict[str, str]) -> None:
    pid = int(row["pid"], 16)
    data = encode_pid(pid, {row["signal"]: float(row["value"])})
    read = {r.signal: r.value for r in decode_pid(pid, data)}
    signal = signal_of(row)
    assert signal.low is not None
    assert signal.high is not None
    value = min(max(float(row["value"]), signal.low), signal.high)
    assert read[row["signal"]] == pytest.approx(value, abs=signal.step / 2 + 1e-9)


def test_every_number_has_its_minimum_a_middle_and_its_maximum() -> None:
    """Except where the table itself says that it is from memory, or shows bytes as they are."""
    seen: dict[tuple[str, int], list[dict[str, str]]] = defaultdict(list)
    for row in NUMBERS:
        seen[row["signal"], len(row["data"]) // 2].append(row)
    missing = []
    for signal in all_signals():
        if signal.pid <= 0x60 or not signal.numeric:
            continue
        if "from memory" in signal.checked:
            continue
        for size in signal.lengths:
            values = [worked(row) for row in seen[signal.name, size]]
            if {signal.low in values, signal.high in values} != {True} or len(values) < 3:
                missing.append((f"{signal.pid:02X}", signal.name, size))
    assert missing == []


def test_every_row_names_its_source() -> None:
    text = REFERENCES.read_text(encoding="utf-8")
    for row in ROWS:
        key = row["source"].partition(":")[0].removesuffix(" from memory")
        assert f"| {key} |" in text, row


def test_no_row_stands_twice() -> None:
    assert len({(r["pid"], r["data"], r["signal"]) for r in ROWS}) == len(ROWS)
