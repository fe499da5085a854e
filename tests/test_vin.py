"""Vehicle identification numbers; all numbers here are invented or all-ones."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.vin import check_digit, check_vin

ONES = "1" * 17


def test_all_ones_is_valid() -> None:
    assert check_vin(ONES).check == "valid"


@pytest.mark.parametrize("text", ["", "1", ONES + "1", "1" * 16])
def test_wrong_length_is_invalid_and_says_so(text: str) -> None:
    vin = check_vin(text)
    assert vin.check == "invalid"
    assert f"this has {len(text)}" in vin.problem


@pytest.mark.parametrize("letter", "IOQ")
def test_letters_that_a_vin_cannot_hold(letter: str) -> None:
    vin = check_vin(letter + "1" * 16)
    assert vin.check == "invalid"
    assert letter in vin.problem


def test_a_wrong_check_digit_names_both() -> None:
    vin = check_vin("11111111211111111")
    assert (vin.check, vin.problem) == ("invalid", "check digit is 2, calculated 1")


@pytest.mark.parametrize("first", "SVWXYZ")
def test_european_numbers_use_no_check_digit(first: str) -> None:
    vin = check_vin(first + "X0" + "1" * 14)
    assert (vin.check, vin.region) == ("not-used", "Europe")


def test_the_check_digit_binds_in_china() -> None:
    good = "L" + "1" * 16
    good = good[:8] + check_digit(good) + good[9:]
    assert check_vin(good).check == "valid"
    assert check_vin(good[:-1] + "2").check == "invalid"


@pytest.mark.parametrize(
    ("first", "region"),
    [("1", "North America"), ("3", "North America"), ("6", "Oceania"), ("9", "South America"),
     ("A", "Africa"), ("J", "Asia"), ("L", "Asia"), ("S", "Europe"), ("0", "")],
)  # fmt: skip
def test_region(first: str, region: str) -> None:
    assert check_vin(first + "1" * 16).region == region


@pytest.mark.parametrize(
    ("pair", "region", "country"),
    [  # ISO 3780 by public lists; ranges run A to Z, then 1 to 9, then 0
        ("1A", "North America", "United States"), ("4Z", "North America", "United States"),
        ("70", "North America", "United States"), ("7F", "North America", "United States"),
        ("7E", "Oceania", "New Zealand"), ("2A", "North America", "Canada"),
        ("3X", "North America", "Mexico"), ("3Y", "North America", ""),
        ("6A", "Oceania", "Australia"),
        ("61", "Oceania", "New Zealand"), ("J0", "Asia", "Japan"), ("KL", "Asia", "South Korea"),
        ("KJ", "Asia", ""), ("LA", "Asia", "China"), ("H9", "Asia", "China"),
        ("SM", "Europe", "United Kingdom"),
        ("SN", "Europe", "Germany"), ("W0", "Europe", "Germany"), ("VF", "Europe", "France"),
        ("TW", "Europe", "Portugal"), ("T2", "Europe", "Portugal"), ("ZA", "Europe", "Italy"),
        ("AA", "Africa", "South Africa"), ("93", "South America", "Brazil"), ("0A", "", ""),
    ],
)  # fmt: skip
def test_country(pair: str, region: str, country: str) -> None:
    vin = check_vin(pair + "1" * 15)
    assert (vin.region, vin.country) == (region, country)


@pytest.mark.parametrize("pair", ["1A", "2A", "3A", "4A", "5A", "7F", "LA", "HA"])
def test_the_check_digit_binds(pair: str) -> None:
    """United States: 49 CFR 565.15; Canada, Mexico and China from memory."""
    good = pair + "1" * 15
    good = good[:8] + check_digit(good) + good[9:]
    wrong = good[:8] + ("2" if good[8] != "2" else "3") + good[9:]
    assert (check_vin(good).check, check_vin(wrong).check) == ("valid", "invalid")


def test_a_check_digit_x_is_valid() -> None:
    vin = "1A" + "1" * 15
    found = {check_digit(vin[:16] + d) for d in "0123456789"}
    assert "X" in found
    x = next(vin[:16] + d for d in "0123456789" if check_digit(vin[:16] + d) == "X")
    assert check_vin(x[:8] + "X" + x[9:]).check == "valid"


@pytest.mark.parametrize("position_9", "0123456789XZ")
def test_no_european_number_is_called_bad_for_its_position_9(position_9: str) -> None:
    vin = check_vin("WX011111" + position_9 + "11111111")
    assert (vin.check, vin.problem) == ("not-used", "")


@pytest.mark.parametrize("letter", "IOQ")
def test_forbidden_letters_anywhere(letter: str) -> None:
    for at in range(17):
        vin = check_vin("1" * at + letter + "1" * (16 - at))
        assert (vin.check, vin.problem) == ("invalid", f"a VIN cannot hold {letter}")


@pytest.mark.parametrize("pair", ["LA", "JA", "WX", "9A", "7A"])
def test_position_7_selects_no_year_outside_north_america(pair: str) -> None:
    vin = check_vin(pair + "1111A11" + "L" + "1" * 7)
    assert (vin.model_year, vin.model_years) == (None, (1990, 2020))


@pytest.mark.parametrize(
    ("position_7", "year_letter", "year"),
    [("1", "A", 1980), ("1", "Y", 2000), ("1", "9", 2009), ("A", "A", 2010), ("A", "L", 2020)],
)
def test_position_7_tells_the_cycle_of_the_model_year(
    position_7: str, year_letter: str, year: int
) -> None:
    """49 CFR 565.15(c): numeric in position 7 means 1980–2009, a letter 2010–2039."""
    vin = check_vin("1" * 6 + position_7 + "11" + year_letter + "1" * 7)
    assert vin.model_year == year
    assert vin.model_year in vin.model_years


def test_model_year_stays_open_where_the_rule_does_not_bind() -> None:
    vin = check_vin("XX0111111" + "L" + "1" * 7)
    assert vin.model_year is None
    assert vin.model_years == (1990, 2020)


@pytest.mark.parametrize("letter", "UZ0")
def test_characters_that_are_no_model_year(letter: str) -> None:
    assert check_vin("1" * 9 + letter + "1" * 7).model_years == ()


@given(st.text(max_size=40))
def test_any_text_gets_an_answer_without_control_characters(text: str) -> None:
    vin = check_vin(text)
    assert vin.check in {"valid", "invalid", "not-used"}
    assert vin.vin.isprintable()
    assert len(vin.vin) <= 17


def test_check_digit_refuses_misuse() -> None:
    with pytest.raises(ValueError, match="17 characters"):
        check_digit("I" * 17)
