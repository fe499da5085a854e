"""Text of trouble codes: two letter bits, two digit bits, three hexadecimal digits (SAE-J2012)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.tables.code_text import code_number, code_text

# Letter and digit bits by WIKI-OBD2, "Service 03": 00 P, 01 C, 10 B, 11 U.
WORKED = [
    (0x0102, "P0102"),
    (0x0000, "P0000"),
    (0x3FFF, "P3FFF"),
    (0x4123, "C0123"),
    (0x5123, "C1123"),
    (0x8039, "B0039"),
    (0xC100, "U0100"),
    (0xE1AB, "U21AB"),
    (0xFFFF, "U3FFF"),
]


@pytest.mark.parametrize(("number", "text"), WORKED)
def test_worked_codes(number: int, text: str) -> None:
    assert code_text(number) == text
    assert code_number(text) == number
    assert code_number(f" {text.lower()} ") == number


@settings(deadline=None)
@given(st.integers(0, 0xFFFF))
def test_every_number_has_its_text(number: int) -> None:
    assert code_number(code_text(number)) == number


@pytest.mark.parametrize("text", ["", "P", "P010", "P01020", "X0102", "P4102", "P01G2", "P0102-00"])
def test_other_texts_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="trouble code"):
        code_number(text)


@pytest.mark.parametrize("number", [-1, 0x10000])
def test_other_numbers_are_refused(number: int) -> None:
    with pytest.raises(ValueError, match="16-bit"):
        code_text(number)
