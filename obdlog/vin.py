"""Vehicle identification numbers: structure, check digit, model year, region and country.

References
----------
49 CFR 565.13, 565.15 (content, check digit, model year); ISO 3779 (structure) and ISO 3780
(regions and countries, by public lists of world manufacturer identifiers). That Canada, Mexico and
China require the check digit too is from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

from obdlog.tables.loader import package_text, read_rows

VIN_LENGTH = 17
COUNTRIES: Final = "iso3780_countries.csv"
_CHECK_POSITION = 8
_YEAR_POSITION = 9
_CYCLE_POSITION = 6
_FIRST_YEAR = 1980
_CYCLE_YEARS = 30

_ORDER: Final = "ABCDEFGHJKLMNPRSTUVWXYZ1234567890"
"""Characters of a VIN in the order in which ISO 3780 gives them out; I, O and Q are left out."""
_TRANSLITERATION = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_YEAR_CHARACTERS = "ABCDEFGHJKLMNPRSTVWXY123456789"

_REGIONS = (
    ("ABCDEFGH", "Africa"),
    ("JKLMNPR", "Asia"),
    ("STUVWXYZ", "Europe"),
    ("12345", "North America"),
    ("67", "Oceania"),
    ("89", "South America"),
)
_REGION_OF_COUNTRY: Final = {"China": "Asia", "United States": "North America"}
"""Countries that were given first characters of another region (H, and 7F to 70)."""
_YEAR_RULE_BINDS: Final = frozenset({"United States", "Canada", "Mexico"})
_CHECK_DIGIT_BINDS: Final = _YEAR_RULE_BINDS | {"China"}


@dataclass(frozen=True, slots=True)
class Vin:
    """What can be read from a vehicle identification number.

    `check` is ``valid``, ``invalid`` (wrong characters or length, or a wrong check digit where
    one binds) or ``not-used`` (a country that does not require one; a vehicle made there for
    the United States has one all the same, so a digit that fits proves nothing either way).
    `country` is where the maker is registered, "" where public lists name none. `model_year` is
    the one that position 7 selects, a rule for vehicles of up to 4,536 kg in North America;
    elsewhere it is None and `model_years` lists what position 10 allows. `problem` says what is
    wrong, in words.
    """

    vin: str
    check: str
    region: str
    model_year: int | None
    model_years: tuple[int, ...]
    problem: str = ""
    country: str = ""


def check_digit(vin: str) -> str:
    """Return the check digit that 49 CFR 565.15 gives for the 17 characters of `vin`.

    Raises
    ------
    ValueError
        Not 17 characters, or one that a VIN cannot hold.
    """
    if len(vin) != VIN_LENGTH or any(c not in _TRANSLITERATION for c in vin):
        raise ValueError("a VIN has 17 characters, digits and capitals without I, O and Q")
    total = sum(_TRANSLITERATION[c] * w for c, w in zip(vin, _WEIGHTS, strict=True))
    return "0123456789X"[total % 11]


def check_vin(text: str) -> Vin:
    """Return what `text` says as a VIN; a faulty one is described, not raised."""
    vin = text.strip().upper()
    problem = _problem(vin)
    if problem:
        safe = "".join(c if c.isascii() and c.isprintable() else "?" for c in vin[:VIN_LENGTH])
        return Vin(safe, "invalid", "", None, (), problem)
    country = _countries().get(vin[:2], "")
    region = _REGION_OF_COUNTRY.get(country) or next(
        name for letters, name in (*_REGIONS, ("0", "")) if vin[0] in letters
    )
    years = _model_years(vin[_YEAR_POSITION])
    year = None
    if country in _YEAR_RULE_BINDS and years:
        year = years[0] if vin[_CYCLE_POSITION].isdigit() else years[1]
    if country not in _CHECK_DIGIT_BINDS:
        return Vin(vin, "not-used", region, year, years, country=country)
    expected = check_digit(vin)
    if vin[_CHECK_POSITION] == expected:
        return Vin(vin, "valid", region, year, years, country=country)
    wrong = f"check digit is {vin[_CHECK_POSITION]}, calculated {expected}"
    return Vin(vin, "invalid", region, year, years, wrong, country)


def _problem(vin: str) -> str:
    if len(vin) != VIN_LENGTH:
        return f"a VIN has {VIN_LENGTH} characters, this has {len(vin)}"
    wrong = sorted(
        {c if c.isascii() and c.isprintable() else "?" for c in vin} - set(_TRANSLITERATION)
    )
    if wrong:
        return f"a VIN cannot hold {', '.join(wrong)}"
    return ""


def _model_years(character: str) -> tuple[int, ...]:
    index = _YEAR_CHARACTERS.find(character)
    if index < 0:
        return ()
    return (_FIRST_YEAR + index, _FIRST_YEAR + _CYCLE_YEARS + index)


@cache
def _countries() -> Mapping[str, str]:
    """Return the country of each pair of first characters that public lists agree on."""
    found: dict[str, str] = {}
    for row in read_rows(package_text(COUNTRIES), ("first", "second", "country"), COUNTRIES):
        low, _, high = row.cells["second"].partition("-")
        for character in _ORDER[_ORDER.index(low) : _ORDER.index(high) + 1]:
            pair = row.cells["first"] + character
            if pair in found:
                raise row.error(f"{pair} is doubled")
            found[pair] = row.cells["country"]
    return found
