"""Units: a closed list, how they are shown, and their imperial forms."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog.units import UNITS, check_unit, convert, rounded, rounded_apart, shown

# NIST-SP811, appendix B.8 (docs/references.md): mile 1.609344 km, psi 6.894757 kPa, inch of water
# (conventional) 249.0889 Pa, US gallon 3.785412 L, pound 453.59237 g, lbf·ft 1.355818 N·m.
NIST = [
    ("°C", 100, 212, "°F"),
    ("°C", -40, -40, "°F"),
    ("km/h", 160.9344, 100, "mph"),
    ("km", 1.609344, 1, "mi"),
    ("kPa", 6.894757, 1, "psi"),
    ("Pa", 249.0889, 1, "inH2O"),
    ("L", 3.785412, 1, "gal"),
    ("L/h", 37.85412, 10, "gal/h"),
    ("g/s", 453.59237, 60, "lb/min"),
    ("kg/h", 0.45359237, 1, "lb/h"),
    ("Nm", 1.355818, 1, "lbf·ft"),
]


@pytest.mark.parametrize(("unit", "metric", "imperial", "text"), NIST)
def test_imperial_values(unit: str, metric: float, imperial: float, text: str) -> None:
    value, told = convert(metric, unit, "imperial")
    assert value == pytest.approx(imperial, rel=1e-6)
    assert told == text == shown(unit, "imperial")


@pytest.mark.parametrize("unit", sorted(UNITS))
def test_metric_leaves_the_value_alone(unit: str) -> None:
    assert convert(12.5, unit, "metric") == (12.5, shown(unit))


@pytest.mark.parametrize(
    ("unit", "text"), [("min-1", "rpm"), ("count", ""), ("ratio", ""), ("°C", "°C"), ("", "")]
)
def test_texts_on_screen(unit: str, text: str) -> None:
    assert shown(unit) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (101.34, "kPa", "101"),
        (4.37, "kPa", "4.4"),
        (-0.123, "kPa", "-0.12"),
        (9.96, "kPa", "10"),
        (3.0, "kPa", "3"),
        (812.25, "min-1", "812"),
        (4.7, "min-1", "5"),
        (0.0449, "V", "0.045"),
    ],
)
def test_values_are_shown_as_finely_as_their_unit_deserves(
    value: float, unit: str, text: str
) -> None:
    assert rounded(value, unit) == text


@pytest.mark.parametrize(
    ("values", "unit", "texts"),
    [
        ((46.2, 41.0, 82.4), "kPa", ("46", "41", "82")),
        ((46.85, 0.0, 46.8), "kPa", ("46.85", "0", "46.8")),
        ((46.8, 0.0, 46.8), "kPa", ("47", "0", "47")),
        ((0.14227, 0.125, 0.14226), "V", ("0.14227", "0.125", "0.14226")),
        ((-0.1, 0.004), "V", ("-0.1", "0.004")),
        ((), "V", ()),
    ],
    ids=["apart", "outside by little", "at the limit", "outside by less", "two", "none"],
)
def test_what_is_outside_a_limit_does_not_read_inside_it(
    values: tuple[float, ...], unit: str, texts: tuple[str, ...]
) -> None:
    assert rounded_apart(values, unit) == texts


@pytest.mark.parametrize("unit", ["rpm", "celsius", "C", " "])
def test_a_unit_outside_the_list_is_refused(unit: str) -> None:
    for call in (check_unit, shown):
        with pytest.raises(ValueError, match="unknown unit"):
            call(unit)
    with pytest.raises(ValueError, match="unknown unit"):
        convert(1, unit, "metric")


def test_another_system_is_refused() -> None:
    with pytest.raises(ValueError, match="nautical"):
        convert(1, "km", "nautical")  # type: ignore[arg-type]


def test_the_nomenclature_lists_every_unit() -> None:
    page = Path(__file__).parents[2] / "docs" / "nomenclature.md"
    text = page.read_text(encoding="utf-8")
    for unit in UNITS - {""}:
        on_screen = shown(unit) or "(none)"
        imperial = shown(unit, "imperial") or "(none)"
        assert f"| {unit} | {on_screen} | {imperial} |" in text
