"""Units as other people's files spell them, turned into the unit of our signal."""

from __future__ import annotations

from typing import Final, NamedTuple

from obdlog.units import UNITS, convert, shown


class Conversion(NamedTuple):
    """Ours = theirs × `factor` + `offset`."""

    factor: float
    offset: float = 0.0

    def apply(self, value: float) -> float:
        """Return `value` in our unit."""
        return value * self.factor + self.offset


SAME: Final = Conversion(1.0)

_SPELLINGS: Final[dict[str, tuple[str, ...]]] = {
    "°C": ("c", "degc", "deg c", "celsius", "°c", "ºc"),
    "%": ("percent", "pct"),
    "min-1": ("rpm", "1/min", "r/min", "min^-1", "u/min"),
    "km/h": ("kmh", "km_h", "kph", "kmph"),
    "g/s": ("gps", "g_s", "gram/s", "g/sec"),
    "V": ("volt", "volts"),
    "°": ("deg", "degree", "degrees", "° btdc"),
    "s": ("sec", "second", "seconds"),
    "min": ("minute", "minutes"),
    "ratio": ("", "lambda", "-", "1"),
    "count": ("", "-", "1"),
    "L/h": ("l/h", "lph"),
    "Nm": ("n·m", "n m"),
}
"""Other spellings of our own units, in lower case."""

_OTHER: Final[dict[str, dict[str, Conversion]]] = {
    "°C": {
        "k": Conversion(1.0, -273.15), "kelvin": Conversion(1.0, -273.15),
        "f": Conversion(5 / 9, -160 / 9), "degf": Conversion(5 / 9, -160 / 9),
        "fahrenheit": Conversion(5 / 9, -160 / 9),
    },
    "kPa": {
        "pa": Conversion(0.001), "hpa": Conversion(0.1), "mbar": Conversion(0.1),
        "bar": Conversion(100.0), "mpa": Conversion(1000.0),
        "inhg": Conversion(3.386389), "mmhg": Conversion(0.133322387415),
    },
    "km/h": {"m/s": Conversion(3.6)},
    "g/s": {"kg/h": Conversion(1 / 3.6), "kg/s": Conversion(1000.0)},
    "V": {"mv": Conversion(0.001)},
    "mA": {"a": Conversion(1000.0)},
    "s": {"ms": Conversion(0.001), "min": Conversion(60.0), "h": Conversion(3600.0)},
    "min": {"s": Conversion(1 / 60), "h": Conversion(60.0)},
    "km": {"m": Conversion(0.001)},
    "Pa": {"kpa": Conversion(1000.0), "hpa": Conversion(100.0)},
}  # fmt: skip
"""Units that are not ours: exact factors, and the conventional ones of NIST SP 811 appendix B
for columns of mercury."""


def conversion(theirs: str, ours: str) -> Conversion:
    """Return how to turn a value in the unit spelled `theirs` into the table's unit `ours`.

    Raises
    ------
    ValueError
        When the spelling is not known for a signal of that unit.
    """
    text = " ".join(theirs.split()).casefold()
    if ours not in UNITS:
        raise ValueError(f"unknown unit {ours!r}")
    if text in {ours.casefold(), shown(ours).casefold(), *_SPELLINGS.get(ours, ())}:
        return SAME
    if text in (found := _OTHER.get(ours, {})):
        return found[text]
    if text == shown(ours, "imperial").casefold():
        zero, one = convert(0.0, ours, "imperial")[0], convert(1.0, ours, "imperial")[0]
        factor = 1.0 / (one - zero)
        return Conversion(factor, -zero * factor)
    raise ValueError(f"unit {theirs!r} cannot be turned into {ours!r}")
