"""The closed list of units, how they are shown, and their imperial forms.

Values travel in the units of the tables (metric) through files and analysis; only what a person
reads is converted. Factors are exact by definition (international yard and pound, US gallon,
NIST SP 811 appendix B) or, for the water column, the conventional value.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from itertools import combinations
from typing import Final, Literal, NamedTuple

System = Literal["metric", "imperial"]

UNITS: Final[frozenset[str]] = frozenset(
    {
        "", "%", "°", "°C", "A", "A/F ratio", "Hz", "L", "L/h", "Nm", "Ohm", "Pa", "Pa/s", "V",
        "count", "counts", "g", "g/cyl", "g/kWh", "g/s", "h", "inch", "kHz", "kJ", "kOhm", "kPa",
        "kg/h", "km", "km/h", "lambda", "mA", "mHz", "mOhm", "mV", "mV/ms", "mV/s", "mg/m3",
        "mg/stroke", "min", "min-1", "mm2", "ms", "ppm", "ratio", "s", "switches", "true/false",
        "µA", "µs",
    }
)  # fmt: skip
"""Every unit that a table may state."""

_SHOWN: Final[dict[str, str]] = {
    "min-1": "rpm",
    "ratio": "",
    "count": "",
    "counts": "",
    "switches": "",
    "true/false": "",
    "lambda": "λ",
    "Nm": "N·m",
    "Ohm": "Ω",
    "kOhm": "kΩ",
    "mOhm": "mΩ",
    "mm2": "mm²",
    "mg/m3": "mg/m³",
}


class _Imperial(NamedTuple):
    unit: str
    factor: float
    offset: float = 0.0


_MILE_KM: Final = 1.609344
_POUND_G: Final = 453.59237
_GALLON_L: Final = 3.785411784
_PSI_KPA: Final = 6.894757293168361
_INCH_OF_WATER_PA: Final = 249.08891

_IMPERIAL: Final[dict[str, _Imperial]] = {
    "°C": _Imperial("°F", 1.8, 32.0),
    "km/h": _Imperial("mph", 1 / _MILE_KM),
    "km": _Imperial("mi", 1 / _MILE_KM),
    "kPa": _Imperial("psi", 1 / _PSI_KPA),
    "Pa": _Imperial("inH2O", 1 / _INCH_OF_WATER_PA),
    "L": _Imperial("gal", 1 / _GALLON_L),
    "L/h": _Imperial("gal/h", 1 / _GALLON_L),
    "g/s": _Imperial("lb/min", 60 / _POUND_G),
    "kg/h": _Imperial("lb/h", 1000 / _POUND_G),
    "Nm": _Imperial("lbf·ft", 1 / 1.3558179483314004),
}

_PLACES: Final[dict[str, int]] = {
    **dict.fromkeys(("min-1", "rpm", "km/h", "mph", "kPa", "Pa", "Nm", "N·m", "lbf·ft"), 0),
    **dict.fromkeys(("mV", "ppm", "min", "count", "counts", "switches"), 0),
    **dict.fromkeys(("%", "°C", "°F", "°", "km", "mi", "s", "h", "m/s²", "psi", "lb/h", "kg/h"), 1),
    **dict.fromkeys(("V", "g/s", "g/s·L", "L/h", "gal/h", "ratio", "mA", "lb/min", "inH2O"), 2),
    **dict.fromkeys(("lambda", "λ"), 3),
}
"""Decimals worth reading, by unit as stored or as shown: finer ones are noise of the signal."""

_SMALL_COUNTS: Final = frozenset({"kPa"})
"""Units without decimals whose small values matter all the same: a filter's pressure difference."""

_MOST_FIGURES: Final = 9
_FIGURES: Final = 4
"""Significant figures where no decimals are stated."""


def rounded(value: float, unit: str, *, limits: Collection[float | None] = ()) -> str:
    """Return a measured value for people, as finely as its unit deserves, without its unit.

    Below one (below 10 kPa), two significant figures are kept, so that a small value does not
    become none. A value that would read like one of the `limits` that it is compared with, and is
    another, gets four.
    """
    text = _rounded(value, unit)
    near = (limit for limit in limits if limit is not None and limit != value)
    if any(math.isfinite(limit) and _rounded(limit, unit) == text for limit in near):
        return _figures(value, _FIGURES)
    return text


def rounded_apart(values: Sequence[float], unit: str) -> tuple[str, ...]:
    """Return values that are compared with each other, as `rounded`, without their unit.

    Where their texts would not stand in the order of the values, all get as many figures as it
    takes: nothing reads inside a limit that it is outside of.
    """
    texts = tuple(_rounded(value, unit) for value in values)
    for figures in range(_FIGURES, _MOST_FIGURES + 1):
        if _same_order(values, tuple(map(float, texts))):
            break
        texts = tuple(_figures(value, figures) for value in values)
    return texts


def _same_order(values: Sequence[float], read: Sequence[float]) -> bool:
    pairs = combinations(zip(values, read, strict=True), 2)
    return all((a > b) == (c > d) and (a < b) == (c < d) for (a, c), (b, d) in pairs)


def _rounded(value: float, unit: str) -> str:
    if value == int(value):
        return f"{value:.0f}"
    if abs(value) < (10 if unit in _SMALL_COUNTS else 1):
        return _figures(value, 2)
    places = _PLACES.get(unit)
    if places is None:
        return _figures(value, _FIGURES)
    return _without_zeros(f"{value:.{places}f}")


def _figures(value: float, figures: int) -> str:
    if abs(value) < 1e-4:
        return f"{value:.{figures}g}"
    return _without_zeros(f"{float(f'{value:.{figures}g}'):.9f}")


def _without_zeros(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text


def check_unit(unit: str) -> str:
    """Return `unit` unchanged.

    Raises
    ------
    ValueError
        The unit is not in the closed list.
    """
    if unit not in UNITS:
        raise ValueError(f"unknown unit {unit!r}")
    return unit


def shown(unit: str, system: System = "metric") -> str:
    """Return the text that stands behind a value of this unit on screen."""
    check_unit(unit)
    if system == "imperial" and unit in _IMPERIAL:
        return _IMPERIAL[unit].unit
    return _SHOWN.get(unit, unit)


def convert(value: float, unit: str, system: System) -> tuple[float, str]:
    """Return `value` and the text of its unit in the wanted system.

    A temperature is converted as a point on the scale, not as a difference.

    Raises
    ------
    ValueError
        The unit is not in the closed list, or the system is unknown.
    """
    if system not in ("metric", "imperial"):
        raise ValueError(f"unknown system of units {system!r}")
    text = shown(unit, system)
    if system == "imperial" and unit in _IMPERIAL:
        rule = _IMPERIAL[unit]
        return value * rule.factor + rule.offset, text
    return value, text
