"""The car as a machine: a driver follows a speed trace, and everything else follows from that.

Time advances in fixed steps, so that the car's history depends on profile, seed and the key's
and drive's moments only, never on when it was asked.
"""

from __future__ import annotations

from math import exp, sin
from random import Random

from obdlog.simulator.drives import Drive
from obdlog.simulator.engine import (
    BOOST_KPA,
    DIESEL_AFR,
    DIESEL_G_L,
    PETROL_G_L,
    STANDARD_AIR_G_L,
    Burn,
    solve_compression,
    solve_spark,
)
from obdlog.simulator.gearbox import Gearbox
from obdlog.simulator.mixture import Mixture
from obdlog.simulator.profile import Profile
from obdlog.simulator.state import Key, Loop, Motion, State, towards
from obdlog.simulator.thermal import advance_temperatures

STEP_S = 0.1
CRANK_S = 0.9
_GRAVITY = 9.81
_AIR_KG_M3 = 1.2
_TRACTION_MPS2 = 4.5
_GRADE = 0.002
_CLOSED_PCT, _OPEN_PCT = 12.0, 82.0
_FULL_FLOW_GPS_L = 172.0
"""Air that the open throttle would pass in choked flow, per litre of displacement [g/s]."""


def _towards(value: float, target: float, time_constant_s: float) -> float:
    return towards(value, target, time_constant_s, STEP_S)


class Vehicle:
    """One car; `state` is its present, `step()` lets a tenth of a second pass."""

    def __init__(self, profile: Profile, seed: int) -> None:
        self.profile = profile
        self.drive: Drive | None = None
        self._random = Random(f"{profile.scenario}/{seed}")
        self._gearbox = Gearbox(profile.body, profile.engine.kind)
        self._crank_s = 0.0
        self._rev_rpm = 0.0
        self._flare_rpm = 0.0
        self._mixture = Mixture(profile, self._random)
        self._spark = profile.engine.kind == "spark"
        day = profile.conditions
        self.state = State(
            baro_kpa=day.baro_kpa,
            map_kpa=day.baro_kpa,
            coolant_c=day.coolant_c,
            oil_c=day.coolant_c,
            intake_c=day.ambient_c + 0.15 * (day.coolant_c - day.ambient_c),
            ambient_c=day.ambient_c,
            catalyst_c=day.coolant_c,
            filter_c=day.coolant_c,
            battery_v=day.rest_v,
            fuel_l=day.tank_l * day.fuel_level_pct / 100.0,
            fuel_shown_pct=day.fuel_level_pct,
            long_trim_pct=day.long_trim_pct if self._spark else 0.0,
            throttle_pct=_CLOSED_PCT + 3.5,
        )

    def turn_key(self, position: Key) -> None:
        """Turn the key; off stops the engine."""
        state = self.state
        if position is not state.key:
            state.key_on_s = 0.0
        state.key = position
        if position is Key.OFF and state.motion is not Motion.STOPPED:
            state.motion = Motion.STOPPED

    def crank(self) -> None:
        """Engage the starter, with the key on and the engine standing."""
        state = self.state
        if state.key is Key.ON and state.motion is Motion.STOPPED:
            state.motion, state.run_s, self._crank_s = Motion.CRANKING, 0.0, 0.0

    def begin_drive(self, drive: Drive) -> None:
        """Let the driver follow `drive` from now on, as soon as the engine runs."""
        self.drive = drive
        self.state.drive_s = 0.0

    def forget_trims(self) -> None:
        """Erase what the mixture control has learned."""
        self.state.long_trim_pct = 0.0

    def step(self) -> None:
        """Let `STEP_S` pass."""
        state = self.state
        state.time_s += STEP_S
        if state.key is Key.ON:
            state.key_on_s += STEP_S
        if state.motion is Motion.RUNNING:
            self._run()
        else:
            self._stand()
        advance_temperatures(state, self.profile, STEP_S)
        self._charge()

    def _stand(self) -> None:
        state = self.state
        state.speed_mps, state.accel_mps2, state.brake_kw = 0.0, 0.0, 0.0
        state.fuel_gps, state.load_pct, state.absolute_load_pct = 0.0, 0.0, 0.0
        state.pedal_pct, state.spark_deg, state.purge_pct = 0.0, 0.0, 0.0
        state.loop, state.overrun, state.wide_open = Loop.OFF, False, False
        state.short_trim_pct, state.lam, state.lam_commanded = 0.0, 1.0, 1.0
        state.throttle_pct = _towards(state.throttle_pct, _CLOSED_PCT + 3.5, 0.3)
        state.map_kpa = _towards(state.map_kpa, state.baro_kpa, 0.5)
        state.o2_front_v = _towards(state.o2_front_v, 0.45, 2.0)
        state.o2_rear_v = _towards(state.o2_rear_v, 0.45, 4.0)
        state.rail_kpa = _towards(state.rail_kpa, 0.0, 3.0)
        state.filter_kpa, state.egr_pct = 0.0, 0.0
        state.air_gps = 0.0
        if state.motion is Motion.CRANKING:
            self._crank_s += STEP_S
            state.rpm = 215.0 + 25.0 * sin(self._crank_s * 21.0)
            state.air_gps = 0.6 * self.profile.engine.displacement_l
            if self._crank_s >= CRANK_S:
                state.motion, self._flare_rpm = Motion.RUNNING, 420.0
        else:
            state.rpm = state.rpm * 0.7 if state.rpm > 60.0 else 0.0

    def _run(self) -> None:
        state = self.state
        state.run_s += STEP_S
        state.drive_s += STEP_S
        asked_mps = self.drive.speed_kmh(state.drive_s) / 3.6 if self.drive else 0.0
        wanted = min((asked_mps - state.speed_mps) / STEP_S, _TRACTION_MPS2)
        mean_mps = max(state.speed_mps + 0.5 * wanted * STEP_S, 0.0)
        needed_kw = self._wheel_kw(mean_mps, wanted) + self._accessory_kw()
        moving = state.speed_mps > 0.3 or asked_mps > 0.05
        # Overrun: the road turns the engine, or the brakes do the rest.
        coasting = moving and wanted < 0.0 and needed_kw < 0.0
        self._turn(needed_kw, moving=moving, coasting=coasting)
        state.overrun = (
            coasting and state.rpm > 1150.0 and state.speed_mps > 3.0 and state.coolant_c > 30.0
        )
        state.overrun_s = state.overrun_s + STEP_S if state.overrun else 0.0
        burn = self._solve(max(needed_kw, 0.4 if not coasting else -2.0))
        reached = wanted
        if burn.limited:
            available_kw = burn.brake_kw - self._accessory_kw()
            reached = min(self._acceleration(mean_mps, available_kw), wanted)
        self._move(reached)
        self._apply(burn, coasting=coasting, moving=moving)
        if self._spark:
            self._mixture.advance(state, STEP_S)

    def _wheel_kw(self, speed_mps: float, accel_mps2: float) -> float:
        body = self.profile.body
        force = self._resistance_n(speed_mps) + 1.05 * body.mass_kg * accel_mps2
        power = force * speed_mps / 1000.0
        return power / 0.93 if power > 0 else power * 0.93

    def _resistance_n(self, speed_mps: float) -> float:
        body = self.profile.body
        # The road is never quite level: the load of a steady cruise breathes a little.
        slope = body.rolling + _GRADE * sin(self.state.distance_m / 160.0)
        rolling = slope * body.mass_kg * _GRAVITY if speed_mps > 0 else 0.0
        return rolling + 0.5 * _AIR_KG_M3 * body.drag_area_m2 * speed_mps**2

    def _acceleration(self, speed_mps: float, available_kw: float) -> float:
        force = 0.93 * available_kw * 1000.0 / max(speed_mps, 3.0)
        return (force - self._resistance_n(speed_mps)) / (1.05 * self.profile.body.mass_kg)

    def _accessory_kw(self) -> float:
        recharging = 0.5 * exp(-self.state.run_s / 90.0)
        return 0.75 + recharging + self.state.rpm / 20000.0

    def _turn(self, needed_kw: float, *, moving: bool, coasting: bool) -> None:
        """Set gear and engine speed."""
        state, engine = self.state, self.profile.engine
        warm = min(max((state.coolant_c - 15.0) / 55.0, 0.0), 1.0)
        idle = engine.idle_rpm + 380.0 * (1.0 - warm) * exp(-state.run_s / 240.0)
        self._flare_rpm *= 0.93
        idle += self._flare_rpm
        asked = self.drive.rev_rpm(state.drive_s) if self.drive and not moving else 0.0
        self._rev_rpm = _towards(self._rev_rpm, asked, 0.7)
        per_litre_kw, at_rpm = (32.0, 4500.0) if self._spark else (55.0, 3500.0)
        strength = per_litre_kw * engine.displacement_l * min(state.rpm / at_rpm, 1.1)
        demand = needed_kw / max(strength, 8.0)
        demand = 1.0 if state.wide_open and moving and not coasting else min(demand, 0.99)
        self._gearbox.choose(state.speed_mps, demand, coasting=coasting, step_s=STEP_S)
        state.gear = self._gearbox.gear
        geared = self._gearbox.engine_rpm(state.speed_mps, state.gear)
        noise = self._random.gauss(0.0, 6.0)
        if moving:
            launch = idle + (850.0 * min(max(demand, 0.0), 1.0) if state.gear == 1 else 0.0)
            target = max(geared, launch)
            quick = 0.18 if self._gearbox.shifting or geared < launch else 0.01
            state.rpm = _towards(state.rpm, target, quick) + 0.3 * noise
        else:
            target = max(idle, self._rev_rpm)
            state.rpm = _towards(state.rpm, target, 0.35) + noise

    def _solve(self, needed_kw: float) -> Burn:
        solve = solve_spark if self._spark else solve_compression
        return solve(self.profile.engine, self.state, needed_kw, cut=self.state.overrun)

    def _move(self, accel_mps2: float) -> None:
        state = self.state
        before = state.speed_mps
        state.accel_mps2 = accel_mps2
        state.speed_mps = max(before + accel_mps2 * STEP_S, 0.0)
        if state.speed_mps < 1e-6:
            state.speed_mps = 0.0
        state.distance_m += 0.5 * (before + state.speed_mps) * STEP_S

    def _apply(self, burn: Burn, *, coasting: bool, moving: bool) -> None:
        state, engine = self.state, self.profile.engine
        state.wide_open = burn.limited
        state.brake_kw = burn.brake_kw
        state.map_kpa = _towards(state.map_kpa, burn.map_kpa, 0.06)
        state.air_gps = _towards(state.air_gps, burn.air_gps, 0.06)
        state.load_pct = _towards(state.load_pct, burn.load_pct, 0.12)
        state.fuel_gps = burn.fuel_gps
        swept_g_s = state.rpm * engine.displacement_l * STANDARD_AIR_G_L / 120.0
        state.absolute_load_pct = 100.0 * state.air_gps / max(swept_g_s, 0.01)
        density = PETROL_G_L if self._spark else DIESEL_G_L
        state.fuel_l = max(state.fuel_l - burn.fuel_gps / density * STEP_S, 0.0)
        level = 100.0 * state.fuel_l / self.profile.conditions.tank_l
        slosh = self._random.gauss(0.0, 3.0) if moving else 0.0
        state.fuel_shown_pct = _towards(state.fuel_shown_pct, level + slosh, 25.0)
        if self._spark:
            self._throttle(coasting=coasting, moving=moving)
        else:
            self._diesel(coasting=coasting)

    def _throttle(self, *, coasting: bool, moving: bool) -> None:
        """Throttle angle from the flow that it must pass; pedal from the throttle."""
        state = self.state
        ratio = min(state.map_kpa / state.baro_kpa, 0.999)
        flow = 1.0 if ratio < 0.528 else (1.0 - ((ratio - 0.528) / 0.472) ** 2) ** 0.5
        full = _FULL_FLOW_GPS_L * self.profile.engine.displacement_l
        share = min((state.air_gps / full / max(flow, 0.05)) ** 0.6, 1.0)
        share = 1.0 if state.wide_open else share
        at_rest = coasting or not (moving or self._rev_rpm > 300.0)
        state.throttle_pct = _towards(
            state.throttle_pct, _CLOSED_PCT + (_OPEN_PCT - _CLOSED_PCT) * share, 0.08
        )
        press = 0.0 if at_rest else 100.0 * max(share - 0.055, 0.0) ** 0.75
        press = 100.0 if state.wide_open else min(press, 97.0)
        state.pedal_pct = 0.0 if at_rest else _towards(state.pedal_pct, press, 0.1)
        load = state.load_pct / 100.0
        advance = 11.0 if press == 0.0 and not moving else 13.0 + 24.0 * (1.0 - load) ** 0.8
        advance += min(state.rpm / 1000.0, 5.0) * 1.2 if moving else 0.0
        heating = 9.0 * max(0.0, 1.0 - state.run_s / 45.0) * (state.catalyst_c < 350.0)
        spark = min(advance, 38.0) - heating + self._random.gauss(0.0, 0.5)
        state.spark_deg = _towards(state.spark_deg, spark, 0.2)

    def _diesel(self, *, coasting: bool) -> None:
        state = self.state
        moving = state.speed_mps > 0.3
        press = 0.0 if coasting or not moving else 100.0 * (state.load_pct / 100.0) ** 0.9
        if self._rev_rpm > 300.0 and not moving:
            press = 14.0
        state.pedal_pct = 0.0 if press == 0.0 else _towards(state.pedal_pct, press, 0.15)
        if state.wide_open:
            state.pedal_pct = 100.0
        load = state.load_pct
        wanted = 0.0 if state.overrun or state.coolant_c < 30 else max(42.0 - 0.75 * load, 0.0)
        state.egr_pct = _towards(state.egr_pct, wanted, 0.8)
        rail = 18_000.0 + 800.0 * load + 14.0 * max(state.rpm - 800.0, 0.0)
        state.rail_kpa = _towards(state.rail_kpa, min(rail, 150_000.0), 0.25)
        spool = min(max((state.rpm - 1000.0) / 1100.0, 0.0), 1.0)
        state.boost_command_kpa = state.baro_kpa + BOOST_KPA * spool * min(load / 85.0, 1.0)
        flow = state.air_gps + state.fuel_gps
        hot = (state.filter_c + 273.0) / 500.0
        state.filter_kpa = 0.22 * (flow / 10.0) ** 1.25 * hot
        state.throttle_pct = 88.0
        if state.fuel_gps > 0:
            state.lam = min(state.air_gps / (DIESEL_AFR * state.fuel_gps), 1.99)
        else:
            state.lam = 1.99
        state.lam_commanded = state.lam

    def _charge(self) -> None:
        """Battery voltage: rest, starter dip, regulator."""
        state, rest = self.state, self.profile.conditions.rest_v
        if state.motion is Motion.CRANKING:
            state.battery_v = 10.25 + 0.25 * sin(self._crank_s * 21.0) + 0.3 * self._crank_s
            return
        if state.motion is Motion.RUNNING:
            target = 14.25
            if self.profile.engine.charging == "smart":
                target = 14.9 if state.overrun else 13.4 - 0.4 * (state.load_pct > 60.0)
            target += self._random.gauss(0.0, 0.04)
            state.battery_v = _towards(state.battery_v, target, 1.2)
        else:
            sag = 0.1 if state.key is Key.ON else 0.0
            state.battery_v = _towards(state.battery_v, rest - sag, 2.5)
