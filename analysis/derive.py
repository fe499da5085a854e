"""Quantities computed from readings: airflow, filling, standard pressure, distance.

Each formula states its source; ``docs/references.md`` lists them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np

from analysis.data import FloatArray, Gap, Samples

Number = TypeVar("Number", float, FloatArray)

AIR_MOLAR_MASS_G_MOL: Final = 28.97
"""Dry air [g/mol], rounded from ISO 2533 (28.964 42)."""
GAS_CONSTANT: Final = 8.314
"""Molar gas constant [J/(mol·K)], rounded from CODATA."""
AIR_DENSITY_G_L: Final = 1.184
"""Dry air at 25 °C and 101.325 kPa [g/L]: the reference of absolute load in SAE J1979."""
REFERENCE_KPA: Final = 101.325
REFERENCE_K: Final = 298.15
KELVIN: Final = 273.15

MAX_STEP_S: Final = 2.0
"""Longest interval between speeds that is not called a gap [s] (our own limit)."""


def speed_density_g_s(
    pressure_kpa: Number,
    displacement_l: float,
    speed_rpm: Number,
    temperature_c: Number,
    volumetric_efficiency: float,
) -> Number:
    """Return the airflow of a four-stroke engine from its intake state [g/s].

    Half the displacement is swept each turn; the filling's share of it is
    `volumetric_efficiency` [1], at the manifold's pressure [kPa] and temperature [°C].

    References
    ----------
    Ideal gas law, m = P·V·M / (R·T).
    """
    swept_l_s = displacement_l * speed_rpm / 120.0
    return (
        pressure_kpa
        * swept_l_s
        * volumetric_efficiency
        * AIR_MOLAR_MASS_G_MOL
        / (GAS_CONSTANT * (temperature_c + KELVIN))
    )


def air_density_g_l(pressure_kpa: Number, temperature_c: Number) -> Number:
    """Return the density of dry air at a pressure [kPa] and temperature [°C] [g/L].

    References
    ----------
    Ideal gas law, from the reference density of SAE J1979 PID 43.
    """
    return (
        AIR_DENSITY_G_L * (pressure_kpa / REFERENCE_KPA) * (REFERENCE_K / (temperature_c + KELVIN))
    )


def volumetric_efficiency(
    airflow_g_s: Number,
    displacement_l: float,
    speed_rpm: Number,
    pressure_kpa: Number,
    temperature_c: Number,
) -> Number:
    """Return the filling of a four-stroke engine against outside air [1].

    `pressure_kpa` and `temperature_c` are those of the air before the throttle; a boosted engine
    exceeds 1.

    References
    ----------
    Definition of volumetric efficiency (common engineering usage).
    """
    density = air_density_g_l(pressure_kpa, temperature_c)
    return airflow_g_s * 120.0 / (speed_rpm * displacement_l * density)


def absolute_load_pct(airflow_g_s: Number, displacement_l: float, speed_rpm: Number) -> Number:
    """Return the absolute load, filling against reference air [%].

    References
    ----------
    SAE J1979 PID 43: air mass per intake stroke over 1.184 g/L times the displacement of one
    cylinder; written here for the whole engine.
    """
    return airflow_g_s * 120.0 / (speed_rpm * displacement_l * AIR_DENSITY_G_L) * 100.0


def standard_pressure_kpa(altitude_m: float) -> float:
    """Return the standard atmosphere's pressure at a geometric altitude [kPa].

    Raises
    ------
    ValueError
        Outside −1,000 … 11,000 m, the layer that the formula describes.

    References
    ----------
    ISO 2533:1975, and U.S. Standard Atmosphere 1976: 288.15 K and 101.325 kPa at sea level,
    −6.5 K per geopotential kilometre, R = 287.052 87 J/(kg·K), g = 9.806 65 m/s²,
    Earth radius 6,356,766 m.
    """
    if not -1_000.0 <= altitude_m <= 11_000.0:
        raise ValueError(f"altitude {altitude_m:g} m is outside −1,000 … 11,000 m")
    earth_m = 6_356_766.0
    geopotential_m = earth_m * altitude_m / (earth_m + altitude_m)
    ratio = 1.0 - 0.0065 * geopotential_m / 288.15
    return float(101.325 * ratio ** (9.80665 / (0.0065 * 287.05287)))


@dataclass(frozen=True, slots=True)
class Distance:
    """A distance driven, and how much of it nobody measured.

    Attributes
    ----------
    km
        Distance outside gaps [km].
    interpolated_km, interpolated_s
        What straight lines across the gaps would add [km], and their length [s].
    gaps
        Where they are.
    """

    km: float
    interpolated_km: float
    interpolated_s: float
    gaps: tuple[Gap, ...]


def distance(speed: Samples, max_step_s: float = MAX_STEP_S) -> Distance:
    """Return the distance under the vehicle speed `speed` [km/h], by the trapezoid rule.

    An interval longer than `max_step_s` [s] is a gap: a straight line across it is counted apart.
    Vehicle speed is a whole number of km/h (SAE J1979 PID 0D); where the car cuts off instead of
    rounding, the result is low by half a km/h times the time.
    """
    steps_s = np.diff(speed.at_s)
    pieces_km = steps_s * (speed.value[1:] + speed.value[:-1]) / 2.0 / 3600.0
    wide = steps_s > max_step_s
    gaps = tuple(
        Gap(float(speed.at_s[i]), float(speed.at_s[i + 1]), "interpolated")
        for i in np.flatnonzero(wide)
    )
    return Distance(
        km=float(pieces_km[~wide].sum()),
        interpolated_km=float(pieces_km[wide].sum()),
        interpolated_s=float(steps_s[wide].sum()),
        gaps=gaps,
    )
