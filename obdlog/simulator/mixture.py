"""Mixture control of the petrol engine: loop status, trims, oxygen sensors, tank purge."""

from __future__ import annotations

from math import pi, sin, tanh
from random import Random

from obdlog.simulator.profile import Profile
from obdlog.simulator.state import Loop, State, towards

_SENSOR_READY_S = 22.0
_REAR_READY_S = 45.0
_FAULT_TRIM_PCT = 9.0
_CLOSED = {Loop.CLOSED, Loop.CLOSED_FAULT}


class Mixture:
    """A two-point lambda control: the front sensor switches, the short trim saws against it."""

    def __init__(self, profile: Profile, random: Random) -> None:
        self._profile, self._random = profile, random
        self._phase = random.random() * 2 * pi
        self._stored_oxygen_v = 0.0

    def advance(self, state: State, step_s: float) -> None:
        """Let `step_s` [s] of the running engine pass."""
        state.loop = self._loop(state)
        state.lam_commanded = towards(state.lam_commanded, _commanded(state), 0.25, step_s)
        hertz = 0.55 + 0.4 * min(max((state.rpm - 700.0) / 1800.0, 0.0), 1.0)
        self._phase = (self._phase + 2 * pi * hertz * step_s) % (2 * pi)
        front, rear = self._control(state, step_s) if state.loop in _CLOSED else self._open(state)
        if state.run_s < _SENSOR_READY_S - 2.0:
            front = 0.45
        state.o2_front_v = towards(state.o2_front_v, front, 0.09, step_s)
        rear = rear if state.run_s > _REAR_READY_S else 0.45
        state.o2_rear_v = towards(state.o2_rear_v, rear, 0.5 if state.overrun else 2.5, step_s)
        # After overrun the catalyst is full of oxygen, which the rear sensor shows for a while.
        self._stored_oxygen_v = towards(self._stored_oxygen_v, 0.2 * state.overrun, 6.0, step_s)
        self._purge(state, step_s)

    def _loop(self, state: State) -> Loop:
        if state.overrun or (state.wide_open and state.load_pct > 85.0):
            return Loop.LOAD
        warm = state.coolant_c > 30.0 or state.run_s > 60.0
        if state.run_s <= _SENSOR_READY_S or not warm:
            return Loop.COLD
        return Loop.CLOSED_FAULT if self._profile.faults.maf == "low" else Loop.CLOSED

    def _control(self, state: State, step_s: float) -> tuple[float, float]:
        """Return front and rear sensor voltage in closed loop; set trims and lambda."""
        needed = self._profile.engine.needed_trim_pct
        if self._profile.faults.maf == "low":
            # The substitute for the missing airflow is not exact.
            needed += _FAULT_TRIM_PCT
        drift = 0.7 * sin(state.time_s / 37.0) + 0.4 * sin(state.time_s / 11.0)
        centre = needed + drift - state.long_trim_pct
        swing = 1.6 * sin(self._phase + 0.6) + self._random.gauss(0.0, 0.15)
        state.short_trim_pct = centre - swing
        if state.coolant_c > 60.0:
            state.long_trim_pct = towards(state.long_trim_pct, needed, 75.0, step_s)
        wave = sin(self._phase)
        state.lam = 1.0 - 0.012 * wave
        front = 0.45 + 0.36 * tanh(2.6 * wave) + self._random.gauss(0.0, 0.008)
        return front, 0.68 + 0.03 * sin(state.time_s / 6.0) - self._stored_oxygen_v

    def _open(self, state: State) -> tuple[float, float]:
        """Return front and rear sensor voltage in open loop."""
        state.short_trim_pct = 0.0
        if state.overrun:
            state.lam = 1.99
            return 0.05, 0.05 if state.overrun_s > 1.0 else state.o2_rear_v
        state.lam = state.lam_commanded
        rich = 0.86 if state.lam_commanded < 0.97 else 0.45
        return rich + self._random.gauss(0.0, 0.006), 0.74

    def _purge(self, state: State, step_s: float) -> None:
        purge = 0.0
        if state.loop in _CLOSED and state.coolant_c > 62.0:
            purge = 9.0 if state.speed_mps < 0.5 else min(12.0 + state.load_pct * 0.45, 46.0)
        state.purge_pct = towards(state.purge_pct, purge, 1.5, step_s)
        state.vapour_pa = -90.0 - 6.0 * state.purge_pct + self._random.gauss(0.0, 8.0)


def _commanded(state: State) -> float:
    if state.overrun:
        return 1.0
    if state.wide_open:
        return 0.88
    return 0.94 if state.loop is Loop.COLD else 1.0
