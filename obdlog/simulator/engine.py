"""Air, fuel and power of the simulated engines: mean-value models, solved in closed form.

Both models agree with the speed-density relation by construction: the manifold pressure is the
one that draws the air mass that the power needs (ideal gas, molar mass of air 28.97 g/mol). The
constants are ordinary textbook magnitudes chosen for the simulation, not data of a real engine.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from obdlog.simulator.profile import Engine
from obdlog.simulator.state import State

AIR_G_MOL = 28.97
GAS_J_MOL_K = 8.314
KELVIN = 273.15
STANDARD_AIR_G_L = 1.184
"""Density of air at 25 °C and 101.3 kPa, as SAE J1979 uses it for absolute load."""

PETROL_AFR, PETROL_MJ_KG, PETROL_G_L = 14.7, 43.0, 745.0
DIESEL_AFR, DIESEL_MJ_KG, DIESEL_G_L = 14.5, 42.8, 832.0

BOOST_KPA = 100.0
"""Highest charge pressure of the diesel above the atmosphere."""

_FULL_FILLING = (
    (0, 0.60),
    (750, 0.68),
    (1500, 0.74),
    (2500, 0.77),
    (3500, 0.84),
    (4500, 0.85),
    (5500, 0.81),
    (6500, 0.73),
)
"""Volumetric efficiency at full throttle against engine speed [1/min]."""


def interpolate(table: tuple[tuple[float, float], ...], x: float) -> float:
    """Return the table's value at `x`, straight between rows, constant outside."""
    if x <= table[0][0]:
        return table[0][1]
    if x >= table[-1][0]:
        return table[-1][1]
    right = bisect_right([row[0] for row in table], x)
    (x0, y0), (x1, y1) = table[right - 1], table[right]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def drawn_air_gps(
    map_kpa: float, rpm: float, displacement_l: float, filling: float, intake_c: float
) -> float:
    """Return the air that a four-stroke engine draws [g/s] (speed density)."""
    swept_l_s = displacement_l * rpm / 120.0
    kelvin = intake_c + KELVIN
    return map_kpa * swept_l_s * filling * AIR_G_MOL / (GAS_J_MOL_K * kelvin)


@dataclass(frozen=True, slots=True)
class Burn:
    """Solution of one step: power delivered [kW], air and fuel [g/s], manifold pressure [kPa]."""

    brake_kw: float
    air_gps: float
    fuel_gps: float
    map_kpa: float
    load_pct: float
    limited: bool


def friction_kw(engine: Engine, rpm: float, coolant_c: float) -> float:
    """Return the mechanical loss [kW]; a cold engine drags more."""
    base = 75.0 if engine.kind == "spark" else 105.0
    thousands = rpm / 1000.0
    pressure_kpa = base + 12.0 * thousands + 3.0 * thousands**2
    cold = 1.0 + 0.5 * max(0.0, 80.0 - coolant_c) / 80.0
    return pressure_kpa * cold * engine.displacement_l * rpm / 120.0 / 1000.0


def _filling(engine: Engine, rpm: float, map_kpa: float, baro_kpa: float) -> float:
    """Volumetric efficiency: residual gas takes room when the manifold is below atmosphere."""
    ratio = engine.compression_ratio
    residual: float = max(baro_kpa / max(map_kpa, 5.0), 1.0) ** (1 / 1.3)
    return interpolate(_FULL_FILLING, rpm) * (ratio - residual) / (ratio - 1.0)


def solve_spark(engine: Engine, state: State, brake_kw: float, *, cut: bool) -> Burn:
    """Return what a throttled petrol engine does to deliver `brake_kw` at the state's speed.

    With `cut` no fuel is injected and the throttle is at its stop.
    """
    rpm, baro, intake = state.rpm, state.baro_kpa, state.intake_c
    litres = engine.displacement_l
    open_kpa = baro - 1.0 - 2.0 * (rpm / 6000.0) ** 2
    most = drawn_air_gps(open_kpa, rpm, litres, _filling(engine, rpm, open_kpa, baro), intake)
    if cut:
        kpa = 23.0
        air = drawn_air_gps(kpa, rpm, litres, _filling(engine, rpm, kpa, baro), intake)
        drag = friction_kw(engine, rpm, state.coolant_c) + _pumping_kw(litres, rpm, baro - kpa)
        return Burn(-drag, air, 0.0, kpa, 100.0 * air / most, limited=False)
    rub = friction_kw(engine, rpm, state.coolant_c)
    kpa = min(max(state.map_kpa, 18.0), open_kpa)
    air = 0.0
    for _ in range(4):
        needed_kw = brake_kw + rub + _pumping_kw(litres, rpm, baro - kpa)
        efficiency = _spark_efficiency(kpa / baro)
        air = max(needed_kw, 0.3) / (efficiency * PETROL_MJ_KG) * PETROL_AFR
        filling = _filling(engine, rpm, kpa, baro)
        kpa = min(air / drawn_air_gps(1.0, rpm, litres, filling, intake), open_kpa)
        kpa = max(kpa, 16.0)
    limited = air >= most
    if limited:
        air, kpa = most, open_kpa
        gained = air / PETROL_AFR * _spark_efficiency(kpa / baro) * PETROL_MJ_KG
        brake_kw = gained - rub - _pumping_kw(litres, rpm, baro - kpa)
    else:
        air = drawn_air_gps(kpa, rpm, litres, _filling(engine, rpm, kpa, baro), intake)
    return Burn(
        brake_kw,
        air,
        air / PETROL_AFR / state.lam_commanded,
        kpa,
        min(100.0 * air / most, 100.0),
        limited,
    )


def _spark_efficiency(relative_pressure: float) -> float:
    return 0.38 * (0.82 + 0.18 * min(1.0, relative_pressure / 0.55))


def _pumping_kw(litres: float, rpm: float, vacuum_kpa: float) -> float:
    return max(vacuum_kpa, 0.0) * litres * rpm / 120.0 / 1000.0


def solve_compression(engine: Engine, state: State, brake_kw: float, *, cut: bool) -> Burn:
    """Return what an unthrottled, turbocharged diesel does to deliver `brake_kw`.

    The boost follows the last step's load; the fuel is bounded by the smoke limit.
    """
    rpm, litres = state.rpm, engine.displacement_l
    spool = min(max((rpm - 1000.0) / 1100.0, 0.0), 1.0)
    target = state.baro_kpa + BOOST_KPA * spool * min(state.load_pct / 85.0, 1.0)
    kpa = state.map_kpa + (target - state.map_kpa) * 0.2
    fresh = 1.0 - 0.75 * state.egr_pct / 100.0
    air = drawn_air_gps(kpa, rpm, litres, 0.88, state.intake_c) * fresh
    rub = friction_kw(engine, rpm, state.coolant_c)
    if cut:
        return Burn(-rub, air, 0.0, kpa, 0.0, limited=False)
    # Full load is what the charge pressure that this speed can build would allow.
    full_kpa = state.baro_kpa + BOOST_KPA * spool
    full_air = drawn_air_gps(full_kpa, rpm, litres, 0.88, state.intake_c)
    full_fuel = full_air / DIESEL_AFR / 1.25
    efficiency = 0.41
    fuel = max(brake_kw + rub, 0.2) / (efficiency * DIESEL_MJ_KG)
    limit = min(full_fuel, air / DIESEL_AFR / 1.15)
    limited = fuel > limit
    if limited:
        fuel = limit
        brake_kw = fuel * efficiency * DIESEL_MJ_KG - rub
    return Burn(brake_kw, air, fuel, kpa, min(100.0 * fuel / full_fuel, 100.0), limited)
