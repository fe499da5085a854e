"""Temperatures of the simulated car: coolant with thermostat, oil, intake, catalyst."""

from __future__ import annotations

from math import exp

from obdlog.simulator.engine import DIESEL_MJ_KG, PETROL_MJ_KG
from obdlog.simulator.profile import Profile
from obdlog.simulator.state import State, towards

_OPENS_C, _OPEN_C, _FAN_C = 87.0, 95.0, 99.0
_KJ_PER_K_PER_LITRE = 21.0


def advance_temperatures(state: State, profile: Profile, step_s: float) -> None:
    """Let all temperatures follow the heat of `step_s` [s]."""
    spark = profile.engine.kind == "spark"
    heat_kw = state.fuel_gps * (PETROL_MJ_KG if spark else DIESEL_MJ_KG)
    _coolant(state, profile, heat_kw, step_s)
    flow = state.air_gps / profile.engine.displacement_l
    under_bonnet = 0.22 * max(state.coolant_c - state.ambient_c, 0.0)
    warmed = state.ambient_c + under_bonnet * exp(-flow / 4.5)
    if not spark:
        warmed += 0.11 * max(state.map_kpa - state.baro_kpa, 0.0)
    state.intake_c = towards(state.intake_c, warmed, 45.0, step_s)
    oil = state.coolant_c + min(state.rpm / 500.0, 12.0) - 2.0
    state.oil_c = towards(state.oil_c, oil if heat_kw else state.ambient_c, 190.0, step_s)
    exhaust = _exhaust_c(state, heat_kw, spark=spark)
    state.catalyst_c = towards(state.catalyst_c, exhaust, 28.0 if heat_kw else 400.0, step_s)
    state.filter_c = towards(state.filter_c, 0.8 * state.catalyst_c, 90.0, step_s)


def _coolant(state: State, profile: Profile, heat_kw: float, step_s: float) -> None:
    capacity = _KJ_PER_K_PER_LITRE * profile.engine.displacement_l
    above = state.coolant_c - state.ambient_c
    share = 0.30 if profile.engine.kind == "spark" else 0.27
    opening = min(max((state.coolant_c - _OPENS_C) / (_OPEN_C - _OPENS_C), 0.0), 1.0)
    fan = 0.25 if state.coolant_c > _FAN_C else 0.0
    radiator_kw_k = opening * (0.10 + 0.020 * state.speed_mps + fan)
    block_kw_k = 0.012 if heat_kw else 0.006
    change_kw = share * heat_kw - (block_kw_k + radiator_kw_k) * above
    state.coolant_c += change_kw / capacity * step_s


def _exhaust_c(state: State, heat_kw: float, *, spark: bool) -> float:
    if not heat_kw:
        return 380.0 if state.running else state.ambient_c
    if spark:
        return 430.0 + 420.0 * (1.0 - exp(-heat_kw / 75.0))
    return 130.0 + 430.0 * (1.0 - exp(-heat_kw / 90.0))
