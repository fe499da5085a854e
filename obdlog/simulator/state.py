"""What the simulated car knows about itself at one moment."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from math import exp


class Key(StrEnum):
    """Position of the ignition key."""

    OFF = "off"
    ON = "on"


class Motion(StrEnum):
    """What the engine does."""

    STOPPED = "stopped"
    CRANKING = "cranking"
    RUNNING = "running"


class Loop(IntEnum):
    """Fuel system status as PID 03 codes it."""

    OFF = 0x00
    COLD = 0x01
    CLOSED = 0x02
    LOAD = 0x04
    FAULT = 0x08
    CLOSED_FAULT = 0x10


@dataclass(slots=True)
class State:
    """Physical state; every number carries its unit in its name, `lam` is lambda."""

    time_s: float = 0.0
    key: Key = Key.OFF
    motion: Motion = Motion.STOPPED
    key_on_s: float = 0.0
    run_s: float = 0.0
    drive_s: float = 0.0
    speed_mps: float = 0.0
    accel_mps2: float = 0.0
    distance_m: float = 0.0
    gear: int = 1
    rpm: float = 0.0
    brake_kw: float = 0.0
    wide_open: bool = False
    overrun: bool = False
    overrun_s: float = 0.0
    air_gps: float = 0.0
    map_kpa: float = 0.0
    baro_kpa: float = 0.0
    load_pct: float = 0.0
    absolute_load_pct: float = 0.0
    throttle_pct: float = 0.0
    pedal_pct: float = 0.0
    spark_deg: float = 0.0
    fuel_gps: float = 0.0
    lam: float = 1.0
    lam_commanded: float = 1.0
    loop: Loop = Loop.OFF
    short_trim_pct: float = 0.0
    long_trim_pct: float = 0.0
    o2_front_v: float = 0.45
    o2_rear_v: float = 0.45
    coolant_c: float = 0.0
    intake_c: float = 0.0
    ambient_c: float = 0.0
    oil_c: float = 0.0
    catalyst_c: float = 0.0
    battery_v: float = 0.0
    fuel_l: float = 0.0
    fuel_shown_pct: float = 0.0
    purge_pct: float = 0.0
    vapour_pa: float = 0.0
    egr_pct: float = 0.0
    rail_kpa: float = 0.0
    boost_command_kpa: float = 0.0
    filter_kpa: float = 0.0
    filter_c: float = 0.0

    @property
    def speed_kmh(self) -> float:
        """Road speed [km/h]."""
        return self.speed_mps * 3.6

    @property
    def running(self) -> bool:
        """Whether the engine runs by itself."""
        return self.motion is Motion.RUNNING


def towards(value: float, target: float, time_constant_s: float, step_s: float) -> float:
    """Return `value` after `step_s` [s] of first-order approach to `target`."""
    return value + (target - value) * (1.0 - exp(-step_s / time_constant_s))
