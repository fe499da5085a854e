"""Worked values, typed by hand, of every signal of PIDs 00 to 5F.

``signals.csv`` holds minimum, middle and maximum of each number, worked from the formulas of the
published source named in its last column (a key of docs/references.md; "from memory" where no
public copy of the standard says it), and the texts of the enumerations. An empty value means "not
available". Nothing in it comes from the project's own table.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import pytest

from obdlog.tables.decode import EMPTY, Context, decode_pid
from obdlog.tables.encode import encode_pid
from obdlog.tables.signals import all_signals, by_name

TEXT = Path(__file__).with_name("signals.csv").read_text(encoding="utf-8")
ROWS = list(csv.DictReader(TEXT.splitlines()))


def value_of(pid: str, data: str, signal: str, context: Context = EMPTY) -> object:
    readings = {r.signal: r for r in decode_pid(int(pid, 16), bytes.fromhex(data), context)}
    return readings[signal].value


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['pid']}-{r['signal']}-{r['data']}")
def test_a_worked_value_is_decoded(row: dict[str, str]) -> None:
    readings = {r.signal: r for r in decode_pid(int(row["pid"], 16), bytes.fromhex(row["data"]))}
    reading = readings[row["signal"]]
    assert reading.unit == row["unit"]
    assert reading.pid == row["pid"]
    if row["value"] == "":
        assert reading.value is None
    elif by_name(row["signal"]).numeric:
        assert reading.value == pytest.approx(float(row["value"]), rel=1e-14, abs=1e-14)
    elif row["value"] in ("true", "false"):
        assert reading.value is (row["value"] == "true")
    else:
        assert reading.value == row["value"]


NUMERIC_ROWS = [row for row in ROWS if row["value"] and by_name(row["signal"]).numeric]


@pytest.mark.parametrize("row", NUMERIC_ROWS, ids=lambda r: f"{r['signal']}-{r['data']}")
def test_a_worked_value_is_encoded(row: dict[str, str]) -> None:
    data = encode_pid(int(row["pid"], 16), {row["signal"]: float(row["value"])})
    read = {r.signal: r.value for r in decode_pid(int(row["pid"], 16), data)}
    assert read[row["signal"]] == pytest.approx(float(row["value"]), rel=1e-14, abs=1e-14)


def test_every_number_has_its_minimum_a_middle_and_its_maximum() -> None:
    worked: dict[str, set[float]] = defaultdict(set)
    for row in NUMERIC_ROWS:
        worked[row["signal"]].add(float(row["value"]))
    for signal in all_signals():
        if signal.numeric and 0x03 < signal.pid < 0x60:
            assert {signal.low, signal.high} <= worked[signal.name], signal.name
            assert len(worked[signal.name]) >= 3, signal.name


def test_every_pid_up_to_5f_has_worked_values_here_or_in_test_monitors() -> None:
    worked = {int(row["pid"], 16) for row in ROWS}
    assert worked | {0x01, 0x41} == set(range(0x60))


def test_every_row_names_its_source() -> None:
    text = (Path(__file__).parents[2] / "docs" / "references.md").read_text(encoding="utf-8")
    for row in ROWS:
        key = row["source"].split()[0].rstrip(":")
        assert f"| {key} |" in text, row


# Full scales of PIDs 4F and 50: raw × maximum / 65535 (lambda, voltage, air flow), raw × maximum
# / 255 (manifold pressure), (raw − 8000h) × maximum / 32768 (current). SAE-J1979 from memory; the
# meaning of the bytes is in WIKI-OBD2, "PID 4F, 50".
OVERRIDES = [
    ("4F", "04000000", "24", "80008000", "WO2S1_LAMBDA", 32768 * 4 / 65535),
    ("4F", "04000000", "24", "FFFF8000", "WO2S1_LAMBDA", 4.0),
    ("4F", "04000000", "3B", "FFFF8000", "WO2S8_LAMBDA_C", 4.0),
    ("4F", "04000000", "44", "FFFF", "LAMBDA_CMD", 4.0),
    ("4F", "00050000", "2B", "8000FFFF", "WO2S8_V", 5.0),
    ("4F", "00050000", "2B", "80003333", "WO2S8_V", 1.0),
    ("4F", "00000400", "34", "80008000", "WO2S1_I", 0.0),
    ("4F", "00000400", "34", "80000000", "WO2S1_I", -4.0),
    ("4F", "00000400", "34", "8000C000", "WO2S1_I", 2.0),
    ("4F", "00000033", "0B", "FF", "MAP", 510.0),
    ("4F", "00000033", "0B", "32", "MAP", 100.0),
    ("50", "50000000", "10", "FFFF", "MAF", 800.0),
    ("50", "50000000", "10", "3333", "MAF", 160.0),
]


@pytest.mark.parametrize(("pid", "facts", "asked", "data", "signal", "expected"), OVERRIDES)
def test_a_full_scale_replaces_the_standard_scale(
    pid: str, facts: str, asked: str, data: str, signal: str, expected: float
) -> None:
    context = EMPTY.updated(int(pid, 16), bytes.fromhex(facts))
    assert value_of(asked, data, signal, context) == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize(("asked", "data", "signal"), [o[2:5] for o in OVERRIDES])
def test_a_full_scale_of_zero_leaves_the_standard_scale(asked: str, data: str, signal: str) -> None:
    zeros = EMPTY.updated(0x4F, bytes(4)).updated(0x50, bytes(4))
    assert value_of(asked, data, signal, zeros) == value_of(asked, data, signal)


def test_one_full_scale_does_not_touch_the_other_signals_of_a_pid() -> None:
    context = EMPTY.updated(0x4F, bytes.fromhex("04000000"))
    assert value_of("24", "80008000", "WO2S1_V", context) == 4
    assert value_of("14", "5A80", "O2S1_V", context) == 0.45
