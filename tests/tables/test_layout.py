"""What a table row can state, shown on rows invented for the purpose.

Every way is read by the scalar and the vectorised decoder alike.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from obdlog.model import Value
from obdlog.tables.layout import compile_fields, read_fields
from obdlog.tables.signal_rows import COLUMNS, Signal, parse_signals
from obdlog.tables.vector import read_columns

BLANK = dict.fromkeys(COLUMNS, "") | {
    "pid": "F0",
    "label": "Invented",
    "source": "SAE-J1979",
    "checked": "from memory",
}


def number(name: str, **cells: str) -> dict[str, str]:
    """Return a row of 8 bits in °C from −40, unless the cells say otherwise."""
    usual = {"codec": "number", "width": "8", "scale": "1", "unit": "°C"}
    return BLANK | usual | {"name": name, "offset": "-40", "low": "-40", "high": "215"} | cells


def rows(*cells: dict[str, str]) -> tuple[Signal, ...]:
    lines = [",".join(COLUMNS), *(",".join(row[column] for column in COLUMNS) for row in cells)]
    return parse_signals("\n".join(lines) + "\n")


def both(signals: tuple[Signal, ...], data: str) -> dict[str, Value]:
    """Return the scalar readings, after comparing them with the columns."""
    raw = bytes.fromhex(data)
    layout = compile_fields(signals, len(raw))
    readings = {reading.signal: reading.value for reading in read_fields(layout, raw)}
    columns = read_columns(layout, np.frombuffer(raw, dtype=np.uint8).reshape(1, -1))
    for name, column in columns.items():
        value = readings.get(name)
        if value is None:
            assert math.isnan(column[0])
        elif not isinstance(value, str):
            assert column[0] == value
    return readings


def test_support_bits_need_not_follow_the_order_of_the_data() -> None:
    signals = rows(
        number("FIRST", lengths="3", at="B", support="A.1"),
        number("SECOND", lengths="3", at="C", support="A.0"),
    )
    assert both(signals, "022832") == {"FIRST": 0, "SECOND": None}
    assert both(signals, "012832") == {"FIRST": None, "SECOND": 10}
    assert both(signals, "000000") == {"FIRST": None, "SECOND": None}


def test_a_bit_can_choose_between_two_scales_of_the_same_byte() -> None:
    wide = {"scale": "4", "offset": "-40", "high": "980"}
    signals = rows(
        number("HOT", lengths="2", at="B", when="A.4=0", support="A.0"),
        number("HOT", lengths="2", at="B", when="A.4=1", support="A.4", **wide),
    )
    assert both(signals, "0132") == {"HOT": 10}
    assert both(signals, "1032") == {"HOT": 160}
    assert both(signals, "1132") == {"HOT": 160}
    assert both(signals, "0032") == {"HOT": None}


def test_the_length_can_choose_between_two_forms() -> None:
    signals = rows(
        number("ONE", lengths="3|5", at="B", support="A.0"),
        number("TWO", lengths="3", at="C", support="A.1"),
        number("TWO", lengths="5", at="D", support="A.2"),
    )
    assert both(signals, "032932") == {"ONE": 1, "TWO": 10}
    assert both(signals, "0529003200") == {"ONE": 1, "TWO": 10}


def test_a_part_of_a_byte_can_be_a_number_or_a_text_of_a_list() -> None:
    signals = rows(
        number("LOW", lengths="1", at="A", width="4", offset="", low="0", high="15"),
        BLANK
        | {"name": "FUEL", "lengths": "1", "at": "A.4", "width": "3"}
        | {"codec": "enum", "lookup": "fuel-type"},
        BLANK | {"name": "TOP", "lengths": "1", "at": "A.7", "width": "1", "codec": "ready"},
    )
    assert both(signals, "4A") == {"LOW": 10, "FUEL": "diesel", "TOP": True}
    assert both(signals, "8F") == {"LOW": 15, "FUEL": "reserved (0x00)", "TOP": False}


@pytest.mark.parametrize(
    ("data", "value"), [("0000000000", 0), ("00FFFFFFFF", 429496729.5), ("0000000001", 0.1)]
)
def test_a_field_can_have_32_bits(data: str, value: float) -> None:
    signals = rows(
        number(
            "ODOMETER",
            lengths="5",
            at="B",
            width="32",
            scale="1/10",
            offset="",
            unit="km",
            low="0",
            high="429496729.5",
        )
    )
    assert both(signals, data) == {"ODOMETER": value}


def test_bytes_that_nobody_describes_are_shown_in_hexadecimal() -> None:
    row = BLANK | {"name": "DARK", "lengths": "10", "at": "B", "width": "72", "codec": "raw"}
    found = both(rows(row), "00 0102030405060708FF")
    assert found == {"DARK": "01 02 03 04 05 06 07 08 FF"}


def test_bytes_after_z_are_named_aa_ab() -> None:
    signals = rows(number("LATE", lengths="41", at="AB"))
    assert both(signals, "00" * 27 + "32" + "00" * 13) == {"LATE": 10}


def test_several_codes_can_mean_not_available() -> None:
    signals = rows(
        number("RARE", lengths="2", at="A", width="16", high="65495", absent="FFFF|FFFE")
    )
    assert both(signals, "FFFF") == {"RARE": None}
    assert both(signals, "FFFE") == {"RARE": None}
    assert both(signals, "0032") == {"RARE": 10}
