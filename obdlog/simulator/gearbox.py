"""Automatic shifting of a dual-clutch gearbox: which gear, and how fast the engine turns."""

from __future__ import annotations

from math import pi

from obdlog.simulator.profile import Body

_REDLINE_RPM = {"spark": 5500.0, "compression": 4200.0}
_EASY_RPM = {"spark": 1420.0, "compression": 1270.0}
_COASTING_RPM = {"spark": 1500.0, "compression": 1350.0}
_DEMAND_RPM = {"spark": 2300.0, "compression": 1500.0}
"""Lowest engine speed with no demand, in overrun, and what full demand adds [1/min]."""

_MIN_GEAR_S = 1.2
_BLEND_S = 0.5


class Gearbox:
    """Chooses gears; keeps the time since the last shift."""

    def __init__(self, body: Body, kind: str) -> None:
        self._body = body
        self._redline_rpm = _REDLINE_RPM[kind]
        self._easy_rpm, self._demand_rpm = _EASY_RPM[kind], _DEMAND_RPM[kind]
        self._coasting_rpm = _COASTING_RPM[kind]
        self.gear = 1
        self._since_shift_s = 10.0

    def engine_rpm(self, speed_mps: float, gear: int) -> float:
        """Return the engine speed with the clutch closed [1/min]."""
        wheel_rps = speed_mps / (2 * pi * self._body.wheel_radius_m)
        return wheel_rps * 60.0 * self._body.final_drive * self._body.gears[gear - 1]

    @property
    def shifting(self) -> bool:
        """Whether the engine is still being matched to a new gear."""
        return self._since_shift_s < _BLEND_S

    def choose(self, speed_mps: float, demand: float, *, coasting: bool, step_s: float) -> None:
        """Choose the gear for a power `demand` of 0 to 1 (above 1: more than there is)."""
        self._since_shift_s += step_s
        wish = min(max(demand, 0.0), 1.0) ** 1.2
        lowest = self._coasting_rpm if coasting else self._easy_rpm + self._demand_rpm * wish
        now = self.engine_rpm(speed_mps, self.gear)
        top = len(self._body.gears)
        if speed_mps < 0.5:
            self._shift_to(1)
        elif demand >= 1.0 and self.gear > 1:
            if self.engine_rpm(speed_mps, self.gear - 1) < 0.88 * self._redline_rpm:
                self._shift_to(self.gear - 1)
        elif self._since_shift_s < _MIN_GEAR_S:
            return
        elif now < lowest - 130.0 and self.gear > 1:
            if self.engine_rpm(speed_mps, self.gear - 1) < 0.76 * self._redline_rpm:
                self._shift_to(self.gear - 1)
        elif self.gear < top:
            higher = self.engine_rpm(speed_mps, self.gear + 1)
            if now > self._redline_rpm or (demand < 1.0 and higher > lowest + 150.0):
                self._shift_to(self.gear + 1)
        if now > self._redline_rpm and self.gear < top:
            self._shift_to(self.gear + 1)

    def _shift_to(self, gear: int) -> None:
        if gear != self.gear:
            self.gear = gear
            self._since_shift_s = 0.0
