"""Check digits against 49 CFR 565.15 (tables III and IV of the 2015 annual edition)."""

from __future__ import annotations

import pytest

from obdlog.vin import check_digit

# 49 CFR 565.15(c)(3), table III (assigned values) and table IV (weights), typed by hand.
ASSIGNED = [
    ("A", 1), ("B", 2), ("C", 3), ("D", 4), ("E", 5), ("F", 6), ("G", 7), ("H", 8),
    ("J", 1), ("K", 2), ("L", 3), ("M", 4), ("N", 5), ("P", 7), ("R", 9),
    ("S", 2), ("T", 3), ("U", 4), ("V", 5), ("W", 6), ("X", 7), ("Y", 8), ("Z", 9),
]  # fmt: skip
WEIGHTS = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]


def test_all_ones() -> None:
    """The sum of the weights is 89 = 8 × 11 + 1, so seventeen ones check to 1."""
    assert sum(WEIGHTS) == 89
    assert check_digit("1" * 17) == "1"


@pytest.mark.parametrize(("letter", "value"), ASSIGNED)
def test_each_letter_stands_for_its_number(letter: str, value: int) -> None:
    """A VIN of ones with the letter in position 1: the sum grows by (value − 1) × 8."""
    remainder = (89 + (value - 1) * 8) % 11
    assert check_digit(letter + "1" * 16) == "0123456789X"[remainder]


@pytest.mark.parametrize(("position", "weight"), list(enumerate(WEIGHTS)))
def test_each_position_has_its_weight(position: int, weight: int) -> None:
    vin = ["0"] * 17
    vin[position] = "1"
    assert check_digit("".join(vin)) == "0123456789X"[weight % 11]


def test_remainder_ten_is_x() -> None:
    """Position 8 has weight 10: a single 1 there leaves the remainder 10, written X."""
    assert check_digit("00000001000000000") == "X"


def test_the_remainder_is_of_the_integer_sum() -> None:
    """A worked sum: positions 1 and 8 hold 1, so 8 + 10 = 18 = 11 + 7."""
    assert check_digit("10000001000000000") == "7"
