"""Readiness monitors: what each needs in order to run, and their bits in PIDs 01 and 41."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from obdlog.simulator.profile import Profile
from obdlog.simulator.state import State

CONTINUOUS = ("misfire", "fuel-system", "components")
_SPARK_BITS = (
    "catalyst",
    "heated-catalyst",
    "evaporative-system",
    "secondary-air",
    "ac-refrigerant-or-gpf",
    "oxygen-sensor",
    "oxygen-sensor-heater",
    "egr-vvt",
)
_COMPRESSION_BITS = (
    "nmhc-catalyst",
    "nox-scr",
    "",
    "boost-pressure",
    "",
    "exhaust-gas-sensor",
    "pm-filter",
    "egr-vvt",
)


@dataclass(frozen=True, slots=True)
class Need:
    """A monitor completes after `seconds` in which `holds` was true, added up over the drive."""

    seconds: float
    holds: Callable[[State], bool]


def _cruise(state: State, low_kmh: float, high_kmh: float) -> bool:
    return (
        low_kmh <= state.speed_kmh <= high_kmh
        and abs(state.accel_mps2) < 0.25
        and state.coolant_c >= 70.0
        and not state.overrun
    )


def _warm_idle(state: State) -> bool:
    return state.coolant_c >= 75.0 and state.speed_mps < 0.1


NEEDS: dict[str, Need] = {
    "misfire": Need(60.0, lambda s: s.running and s.rpm > 400.0),
    "fuel-system": Need(90.0, lambda s: s.running and s.coolant_c >= 60.0),
    "components": Need(15.0, lambda s: s.running),
    "catalyst": Need(90.0, lambda s: _cruise(s, 70.0, 115.0)),
    "heated-catalyst": Need(30.0, lambda s: s.running),
    "secondary-air": Need(20.0, _warm_idle),
    "ac-refrigerant-or-gpf": Need(60.0, lambda s: _cruise(s, 50.0, 115.0)),
    "oxygen-sensor": Need(60.0, lambda s: _cruise(s, 45.0, 115.0)),
    "oxygen-sensor-heater": Need(60.0, lambda s: s.running and s.run_s > 20.0),
    "egr-vvt": Need(12.0, lambda s: s.overrun and s.coolant_c >= 70.0),
    "nmhc-catalyst": Need(120.0, lambda s: _cruise(s, 70.0, 120.0)),
    "nox-scr": Need(240.0, lambda s: _cruise(s, 70.0, 120.0)),
    "boost-pressure": Need(3.0, lambda s: s.map_kpa > s.baro_kpa + 60.0),
    "exhaust-gas-sensor": Need(8.0, lambda s: s.overrun and s.coolant_c >= 60.0),
    "pm-filter": Need(1500.0, lambda s: _cruise(s, 70.0, 120.0)),
}
"""Invented for the simulation, in the usual order of difficulty (common practice, no source)."""

_EVAPORATIVE = "evaporative-system"
_EVAPORATIVE_S = 300.0


class Monitors:
    """One ECU's monitors since the last erase and in this drive."""

    def __init__(self, profile: Profile, fitted: tuple[str, ...], incomplete: tuple[str, ...]):
        self._profile = profile
        self.fitted = fitted
        self.complete = set(fitted) - set(incomplete)
        self.complete_this_drive: set[str] = set()
        self._held_s: dict[str, float] = {}
        self._cold_start = False

    def begin_drive(self, state: State) -> None:
        """Begin a new drive: the engine was started."""
        self.complete_this_drive = set()
        self._held_s = {}
        day = self._profile.conditions
        self._cold_start = (
            day.soak_h >= 8.0
            and 4.0 <= state.coolant_c <= 35.0
            and abs(state.coolant_c - state.intake_c) <= 7.0
            and 35.0 <= day.fuel_level_pct <= 85.0
        )

    def erase(self) -> None:
        """Forget all results."""
        self.complete = set()
        self.complete_this_drive = set()
        self._held_s = {}

    def advance(self, state: State, step_s: float) -> tuple[str, ...]:
        """Return the monitors that completed within this step."""
        done = []
        for name in self.fitted:
            if name in self.complete_this_drive or not self._holds(name, state):
                continue
            held = self._held_s.get(name, 0.0) + step_s
            self._held_s[name] = held
            if held >= self._seconds(name):
                self.complete_this_drive.add(name)
                self.complete.add(name)
                done.append(name)
        return tuple(done)

    def _holds(self, name: str, state: State) -> bool:
        if name == _EVAPORATIVE:
            return self._cold_start and state.running
        return NEEDS[name].holds(state)

    def _seconds(self, name: str) -> float:
        return _EVAPORATIVE_S if name == _EVAPORATIVE else NEEDS[name].seconds

    def status_bytes(self, first: int, *, this_drive: bool) -> bytes:
        """Return the four bytes of PID 01 or 41; `first` is byte A. Bit 1 means incomplete."""
        complete = self.complete_this_drive if this_drive else self.complete
        spark = self._profile.engine.kind == "spark"
        byte_b = 0x00 if spark else 0x08
        for bit, name in enumerate(CONTINUOUS):
            if name in self.fitted:
                byte_b |= 1 << bit
                byte_b |= (name not in complete) << (bit + 4)
        byte_c = byte_d = 0
        for bit, name in enumerate(_SPARK_BITS if spark else _COMPRESSION_BITS):
            if name and name in self.fitted:
                byte_c |= 1 << bit
                byte_d |= (name not in complete) << bit
        return bytes([first, byte_b, byte_c, byte_d])
