"""Fuel from airflow: a mass balance, and what may not be said from it.

No check or report states a fuel figure of its own accord: it is exact only where the mixture is
known. These functions say so instead of guessing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

STOICHIOMETRIC: Final = {"petrol": 14.7, "diesel": 14.5}
"""Mass of air that burns one mass of fuel [kg/kg], rounded (common practice, no source)."""
DENSITY_G_L: Final = {"petrol": 745.0, "diesel": 832.0}
"""Usual density at 15 °C [g/L] (common practice, no source)."""
STANDING_KMH: Final = 1.0
"""A speed below this is standing: PID 0D counts whole km/h (SAE J1979)."""


@dataclass(frozen=True, slots=True)
class FuelRate:
    """A fuel rate [g/s]; `upper_limit` where the engine may burn any amount below it."""

    g_s: float
    upper_limit: bool


def fuel_rate(airflow_g_s: float, fuel: str, lambda_: float | None = None) -> FuelRate:
    """Return the fuel that goes with an airflow [g/s].

    A diesel engine runs with much more air than its fuel needs (lambda far above 1): without
    lambda the stoichiometric figure is only an upper limit. A petrol engine is taken to run at
    lambda 1 where none is given.

    Parameters
    ----------
    fuel
        ``petrol`` or ``diesel``.
    lambda_
        Measured air ratio [1].

    Raises
    ------
    ValueError
        Another fuel, a negative airflow, or a lambda that is not above zero.
    """
    if fuel not in STOICHIOMETRIC:
        raise ValueError(f"fuel is {' or '.join(STOICHIOMETRIC)}, not {fuel!r}")
    if airflow_g_s < 0 or (lambda_ is not None and not lambda_ > 0):
        raise ValueError("airflow and lambda cannot be negative")
    ratio = STOICHIOMETRIC[fuel] * (1.0 if lambda_ is None else lambda_)
    return FuelRate(airflow_g_s / ratio, upper_limit=lambda_ is None and fuel == "diesel")


def litres_per_100_km(fuel_g_s: float, fuel: str, speed_kmh: float) -> float | None:
    """Return the consumption over distance [L/100 km], None where the vehicle stands.

    Raises
    ------
    ValueError
        Another fuel than petrol or diesel.
    """
    if fuel not in DENSITY_G_L:
        raise ValueError(f"fuel is {' or '.join(DENSITY_G_L)}, not {fuel!r}")
    if not speed_kmh >= STANDING_KMH:
        return None
    return fuel_g_s * 3600.0 / DENSITY_G_L[fuel] / speed_kmh * 100.0
