"""Service 01 data of the simulated car: one PID's bytes from the car's present state."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from obdlog.model import Value
from obdlog.simulator.profile import EcuSpec, Profile
from obdlog.simulator.state import State
from obdlog.tables.encode import encode_pid

Values = Mapping[str, Value]
_MAKERS: dict[int, Callable[[State], Values]] = {
    0x04: lambda s: {"LOAD_PCT": s.load_pct},
    0x05: lambda s: {"ECT": s.coolant_c},
    0x06: lambda s: {"SHRTFT1": s.short_trim_pct},
    0x07: lambda s: {"LONGFT1": s.long_trim_pct},
    0x0B: lambda s: {"MAP": s.map_kpa},
    0x0C: lambda s: {"RPM": s.rpm},
    0x0D: lambda s: {"VSS": int(s.speed_kmh + 1e-6)},
    0x0E: lambda s: {"SPARKADV": s.spark_deg},
    0x0F: lambda s: {"IAT": s.intake_c},
    0x10: lambda s: {"MAF": s.air_gps},
    0x11: lambda s: {"TP": s.throttle_pct},
    0x14: lambda s: {"O2S1_V": s.o2_front_v, "O2S1_SHRTFT": s.short_trim_pct},
    0x15: lambda s: {"O2S2_V": s.o2_rear_v},
    0x1F: lambda s: {"RUNTM": int(s.run_s)},
    0x23: lambda s: {"FRP": s.rail_kpa},
    0x24: lambda s: {"WO2S1_LAMBDA": s.lam, "WO2S1_V": 1.5 + 1.2 * (s.lam - 1.0)},
    0x2C: lambda s: {"EGR_PCT": s.egr_pct},
    0x2D: lambda s: {"EGR_ERR": 0 if s.egr_pct < 1 else 2.5 - 0.04 * s.egr_pct},
    0x2E: lambda s: {"EVAP_PCT": s.purge_pct},
    0x2F: lambda s: {"FLI": s.fuel_shown_pct},
    0x32: lambda s: {"EVAP_VP": s.vapour_pa},
    0x33: lambda s: {"BARO": s.baro_kpa},
    0x34: lambda s: {"WO2S1_LAMBDA_C": s.lam, "WO2S1_I": 1.9 * (s.lam - 1.0)},
    0x3C: lambda s: {"CATEMP11": s.catalyst_c},
    0x42: lambda s: {"VPWR": s.battery_v - 0.04},
    0x43: lambda s: {"LOAD_ABS": s.absolute_load_pct},
    0x44: lambda s: {"LAMBDA_CMD": s.lam_commanded},
    0x45: lambda s: {"TP_R": max(s.throttle_pct - 12.0, 0.0)},
    0x46: lambda s: {"AAT": s.ambient_c},
    0x47: lambda s: {"TP_B": s.throttle_pct + 0.8},
    0x49: lambda s: {"APP_D": 14.9 + 0.70 * s.pedal_pct},
    0x4A: lambda s: {"APP_E": 7.45 + 0.35 * s.pedal_pct},
    0x4C: lambda s: {"TAC_PCT": max(s.throttle_pct - 11.0, 0.0)},
    0x5A: lambda s: {"APP_R": s.pedal_pct},
    0x5C: lambda s: {"EOT": s.oil_c},
    0x7A: lambda s: {"DPF1_DP": s.filter_kpa},
    0x7C: lambda s: {"DPF1_INT": s.filter_c, "DPF1_OUTT": 0.94 * s.filter_c},
}
_TRIMS = {0x06: ("SHRTFT1", "SHRTFT3"), 0x07: ("LONGFT1", "LONGFT3")}
_BANK_3 = 0x30
"""Bits of PID 1D for the sensors of bank 3."""
_BANK_3_LEANER_PCT = 2.5


def _litres_per_hour(state: State, profile: Profile) -> float:
    density_g_l = 745.0 if profile.engine.kind == "spark" else 832.0
    return state.fuel_gps * 3600.0 / density_g_l


def build_pid(pid: int, state: State, profile: Profile, spec: EcuSpec) -> bytes:
    """Return the data bytes of `pid`.

    Enumerations are written as their bytes, because their texts belong to the decoder.

    Raises
    ------
    KeyError
        The model has no such signal.
    """
    if pid == 0x0F and profile.faults.iat == "open":
        return b"\x00"
    if pid == 0x10 and profile.faults.maf == "low":
        return b"\x00\x00"
    if pid in _TRIMS and spec.pid_1d & _BANK_3 and 0x1D in spec.pids:
        (trim,) = (float(v) for v in _MAKERS[pid](state).values() if isinstance(v, (int, float)))
        values = dict(zip(_TRIMS[pid], (trim, trim + _BANK_3_LEANER_PCT), strict=True))
        return encode_pid(pid, values, spec.context)
    if pid in _MAKERS:
        return encode_pid(pid, _MAKERS[pid](state), spec.context)
    if pid == 0x03:
        return bytes([state.loop, 0])
    if pid == 0x13:
        return bytes([spec.pid_13])
    if pid in (0x1D, 0x4F, 0x50):
        return spec.context.known(pid)
    if pid == 0x1C:
        return bytes([spec.obd_requirement])
    if pid == 0x51:
        return bytes([1 if profile.engine.kind == "spark" else 4])
    if pid == 0x5E:
        return encode_pid(pid, {"FUEL_RATE": _litres_per_hour(state, profile)})
    raise KeyError(pid)


KNOWN_PIDS = frozenset(_MAKERS) | {0x03, 0x13, 0x1C, 0x1D, 0x4F, 0x50, 0x51, 0x5E}
"""What `build_pid` can say; an ECU adds status, counters and bitmaps of its own."""
