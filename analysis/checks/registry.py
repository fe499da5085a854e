"""Every check there is, in the order in which findings are shown."""

from __future__ import annotations

from functools import cache

from analysis.checks import (
    airflow,
    charging,
    cold_equality,
    fuel_trim,
    full_throttle,
    intake_rise,
    loop_status,
    memory,
    oxygen,
    pressures,
    run_time,
    speed_density,
    speed_steps,
    tracks,
    warm_up,
)
from analysis.checks.base import Check
from analysis.checks.range_check import range_checks

COMPUTED: tuple[Check, ...] = (
    charging.CHECK,
    cold_equality.CHECK,
    warm_up.CHECK,
    intake_rise.CHECK,
    loop_status.CHECK,
    fuel_trim.TOTAL,
    fuel_trim.DIFFERENCE,
    airflow.IDLE,
    airflow.HELD,
    speed_density.DENSITY,
    speed_density.LOAD,
    full_throttle.CHECK,
    pressures.KEY_ON,
    pressures.ALTITUDE,
    tracks.THROTTLE,
    tracks.PEDAL,
    oxygen.CHECK,
    speed_steps.CHECK,
    run_time.CHECK,
    memory.CHECK,
)
"""Checks that compute, one module for each subject."""


@cache
def all_checks() -> tuple[Check, ...]:
    """Return every check: the range checks, then those that compute."""
    return (*range_checks(), *COMPUTED)
