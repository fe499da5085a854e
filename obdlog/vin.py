"""Vehicle identification numbers: structure, check digit, model year, region.

References
----------
49 CFR 565.13, 565.15 (content, check digit, model year); ISO 3779 and ISO 3780 (structure,
regions, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

VIN_LENGTH = 17
_CHECK_POSITION = 8
_YEAR_POSITION = 9
_CYCLE_POSITION = 6
_FIRST_YEAR = 1980
_CYCLE_YEARS = 30

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
_CHECK_DIGIT_BINDS = "12345L"
"""First characters where the check digit is the rule: North America (49 CFR 565.15) and China."""


@dataclass(frozen=True, slots=True)
class Vin:
    """What can be read from a vehicle identification number.

    `check` is ``valid``, ``invalid`` (wrong characters or length, or a wrong check digit where
    one binds) or ``not-used`` (a region that does not require one). `model_year` is the one that
    position 7 selects, a rule for vehicles of up to 4,536 kg in North America; elsewhere it is
    None and `model_years` lists what position 10 allows. `problem` says what is wrong, in words.
    """

    vin: str
    check: str
    region: str
    model_year: int | None
    model_years: tuple[int, ...]
    problem: str = ""


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
    region = next(name for letters, name in (*_REGIONS, ("0", "")) if vin[0] in letters)
    years = _model_years(vin[_YEAR_POSITION])
    year = None
    if region == "North America" and years:
        year = years[0] if vin[_CYCLE_POSITION].isdigit() else years[1]
    if vin[0] not in _CHECK_DIGIT_BINDS:
        return Vin(vin, "not-used", region, year, years)
    expected = check_digit(vin)
    if vin[_CHECK_POSITION] != expected:
        wrong = f"check digit is {vin[_CHECK_POSITION]}, calculated {expected}"
        return Vin(vin, "invalid", region, year, years, wrong)
    return Vin(vin, "valid", region, year, years)


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
