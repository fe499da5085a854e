from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from analysis import derive
from analysis.data import Samples

KM_PER_MILE = 1.609344
"""International mile, exact."""

SCHEDULES = Path(__file__).parents[1] / "data" / "driving_schedules"


# U.S. Standard Atmosphere 1976, table I (geometric altitude), as ISO 2533:1975; from memory.
@pytest.mark.parametrize(
    ("altitude_m", "pressure_hpa"),
    [
        (-500, 1074.78),
        (0, 1013.25),
        (500, 954.61),
        (1000, 898.76),
        (2000, 795.01),
        (3000, 701.21),
        (5000, 540.48),
        (10000, 264.99),
    ],
)
def test_standard_pressure(altitude_m, pressure_hpa):
    assert derive.standard_pressure_kpa(altitude_m) * 10 == pytest.approx(pressure_hpa, abs=0.02)


@pytest.mark.parametrize("altitude_m", [-1001, 11_001, 1e9])
def test_standard_pressure_knows_its_layer(altitude_m):
    with pytest.raises(ValueError, match="outside"):
        derive.standard_pressure_kpa(altitude_m)


def test_air_density_at_published_points():
    # 1.184 g/L at 25 °C: the reference of SAE J1979 PID 43; 1.225 g/L at 15 °C: ISO 2533
    assert derive.air_density_g_l(101.325, 25.0) == pytest.approx(1.184)
    assert derive.air_density_g_l(101.325, 15.0) == pytest.approx(1.225, abs=0.001)


def test_speed_density_agrees_with_density_times_swept_volume():
    # 2.0 L at 3,000 rpm sweep 50 L/s; at reference air that is 50 × 1.184 g/s
    flow = derive.speed_density_g_s(101.325, 2.0, 3000.0, 25.0, 1.0)
    assert flow == pytest.approx(50 * 1.184, rel=1e-3)
    assert derive.speed_density_g_s(101.325, 2.0, 3000.0, 25.0, 0.8) == pytest.approx(0.8 * flow)


def test_volumetric_efficiency_inverts_speed_density():
    flow = derive.speed_density_g_s(95.0, 1.6, 2500.0, 40.0, 0.82)
    filling = derive.volumetric_efficiency(flow, 1.6, 2500.0, 95.0, 40.0)
    assert filling == pytest.approx(0.82, rel=1e-3)


def test_absolute_load_by_its_definition():
    # SAE J1979 PID 43: 4 cylinders, 2.0 L, 0.592 g a stroke = one cylinder full of reference air;
    # at 3,000 rpm there are 100 intake strokes a second
    assert derive.absolute_load_pct(0.592 * 100, 2.0, 3000.0) == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("file", "miles", "seconds"),
    # 40 CFR part 86 appendix I(a): 7.45 mi, 1,369 s; 40 CFR part 600 appendix I: 10.26 mi, 765 s
    [("udds.csv", 7.45, 1369), ("hwfet.csv", 10.26, 765)],
)
def test_distance_of_the_regulations_drives(file, miles, seconds):
    with (SCHEDULES / file).open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    speed = Samples(
        np.array([float(row["time_s"]) for row in rows]),
        np.array([float(row["speed_km_h"]) for row in rows]),
    )
    driven = derive.distance(speed)
    assert speed.at_s[-1] == seconds
    assert driven.km / KM_PER_MILE == pytest.approx(miles, abs=0.005)
    assert driven.gaps == ()


def test_gaps_are_interpolated_apart_and_marked():
    speed = Samples(np.array([0.0, 1.0, 2.0, 12.0, 13.0]), np.array([36.0, 36, 36, 72, 72]))
    driven = derive.distance(speed)
    assert driven.km == pytest.approx(0.02 + 0.02)
    assert driven.interpolated_km == pytest.approx(0.15)
    assert driven.km + driven.interpolated_km == pytest.approx(0.19)
    assert [(gap.start_s, gap.end_s) for gap in driven.gaps] == [(2.0, 12.0)]
    assert driven.interpolated_s == 10.0


def test_no_speed_is_no_distance():
    nothing = derive.distance(Samples(np.empty(0), np.empty(0)))
    assert (nothing.km, nothing.interpolated_km, nothing.gaps) == (0.0, 0.0, ())
