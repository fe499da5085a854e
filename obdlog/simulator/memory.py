"""What an ECU remembers: codes, freeze frame, counters, test results, and what erasing does."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.simulator import codes
from obdlog.simulator.monitors import Monitors
from obdlog.simulator.profile import CodeSpec, EcuSpec, Profile
from obdlog.simulator.signals import KNOWN_PIDS, build_pid
from obdlog.simulator.state import Key, State
from obdlog.tables.context import Context
from obdlog.tables.encode import encode_pid
from obdlog.tables.signals import by_name

_FRAME_PIDS = (0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x1F)
_GOOD_DRIVES = 3
_WARM_UP_RISE_C, _WARM_UP_REACHED_C = 22.0, 71.0
_HEALED_RUN_S, _HEALED_FAST_S, _HEALED_IDLE_S = 600.0, 300.0, 30.0
"""A permanent code heals after so much running, driving above 40 km/h and idling [s]."""


@dataclass(slots=True)
class StoredCode:
    """One code's status; `failed_drive` is the number of the drive in which it last failed."""

    spec: CodeSpec
    confirmed: bool
    pending: bool
    permanent: bool
    failed_drive: int = -1
    good_drives: int = 0
    failing: bool = False
    tested: bool = True

    @property
    def lights_lamp(self) -> bool:
        """Whether it keeps the lamp on: until three drives in a row tested it as good."""
        return self.confirmed and self.spec.lamp and self.good_drives < _GOOD_DRIVES

    @property
    def status(self) -> int:
        """The status byte of ISO 14229-1."""
        found = 0 if self.tested else codes.UNTESTED | codes.UNTESTED_CYCLE
        found |= codes.CONFIRMED | codes.FAILED_SINCE if self.confirmed else 0
        found |= codes.PENDING if self.pending else 0
        found |= codes.FAILED | codes.FAILED_CYCLE | codes.FAILED_SINCE if self.failing else 0
        return found | (codes.LAMP if self.lights_lamp else 0)


@dataclass(slots=True)
class Counters:
    """What PIDs 21, 30, 31, 4D and 4E count."""

    warm_ups: int
    distance_m: float
    run_s: float
    lamp_distance_m: float
    lamp_run_s: float


class Memory:
    """One ECU's diagnostic memory."""

    def __init__(self, profile: Profile, spec: EcuSpec) -> None:
        self.profile, self.spec = profile, spec
        self.monitors = Monitors(profile, spec.monitors, spec.incomplete)
        self.codes = [
            StoredCode(
                c,
                c.confirmed,
                c.pending,
                c.permanent,
                tested=c.confirmed or c.pending or c.monitor in self.monitors.complete,
            )
            for c in spec.code
        ]
        told = profile.counters
        self.counters = Counters(
            told.warm_ups,
            told.distance_km * 1000.0,
            told.minutes * 60.0,
            told.lamp_distance_km * 1000.0,
            told.lamp_minutes * 60.0,
        )
        self.performance = list(spec.performance)
        self._since_evap_m = (spec.evap_distance_km or 0) * 1000.0
        self.tested = set(self.monitors.complete)
        self.frame_code: str | None = None
        self.frame: dict[int, bytes] = {}
        if spec.freeze_frame is not None:
            self.frame_code = spec.freeze_frame.code
            self.frame = _frame_from_values(spec.freeze_frame.values, spec.context)
        self._drive_number = 0
        self._warmed = False
        self._start_c = 0.0
        self._fast_s = self._idle_s = self._run_s = 0.0

    @property
    def lamp(self) -> bool:
        """Whether the malfunction lamp is commanded on."""
        return any(c.lights_lamp for c in self.codes)

    @property
    def evap_distance_km(self) -> int:
        """Distance since the evaporative system was judged [km]; FFFF until it is, once erased."""
        if "evaporative-system" not in self.tested:
            return 0xFFFF
        return min(int(self._since_evap_m / 1000.0), 0xFFFE)

    def listed(self, kind: str) -> tuple[str, ...]:
        """Return the codes that are ``confirmed``, ``pending`` or ``permanent``."""
        return tuple(c.spec.code for c in self.codes if getattr(c, kind))

    def erase(self) -> None:
        """Do what Service 04 does: all but permanent codes and in-use counters goes."""
        for code in self.codes:
            code.confirmed = code.pending = False
            code.failed_drive, code.good_drives = -1, 0
            code.failing = code.tested = False
        self.frame_code, self.frame = None, {}
        self.counters = Counters(0, 0.0, 0.0, 0.0, 0.0)
        self.tested = set()
        self.monitors.erase()
        self._fast_s = self._idle_s = self._run_s = 0.0
        self._warmed = False

    def begin_drive(self, state: State) -> None:
        """Note that the engine was started."""
        self._drive_number += 1
        self._warmed = False
        self._start_c = state.coolant_c
        self._fast_s = self._idle_s = self._run_s = 0.0
        self.monitors.begin_drive(state)
        if len(self.performance) > 1:
            self.performance[1] = min(self.performance[1] + 1, 0xFFFF)

    def end_drive(self) -> None:
        """Note that the key went off: what was tested as good counts towards healing."""
        if not self._run_s:
            return
        proven = (
            self._run_s >= _HEALED_RUN_S
            and self._fast_s >= _HEALED_FAST_S
            and self._idle_s >= _HEALED_IDLE_S
        )
        for code in self.codes:
            failed = code.failed_drive == self._drive_number
            ran = code.spec.monitor in self.monitors.complete_this_drive
            code.good_drives += ran and not failed
            if code.permanent and proven and ran and not failed and not code.confirmed:
                code.permanent = False
            if code.pending and ran and not failed:
                code.pending = False
        self._run_s = 0.0

    def advance(self, state: State, step_s: float, moved_m: float) -> None:
        """Let `step_s` [s] pass in which the car moved `moved_m` [m]."""
        if state.key is not Key.ON:
            return
        if state.running:
            self._count(state, step_s, moved_m)
            for name in self.monitors.advance(state, step_s):
                self.tested.add(name)
                for code in self.codes:
                    code.tested = code.tested or code.spec.monitor == name
                if name == "evaporative-system":
                    self._since_evap_m = 0.0
        for code in self.codes:
            if code.spec.present and code.failed_drive != self._drive_number:
                self._detect(code, state)

    def _count(self, state: State, step_s: float, moved_m: float) -> None:
        counters = self.counters
        self._since_evap_m += moved_m
        counters.distance_m += moved_m
        counters.run_s += step_s
        if self.lamp:
            counters.lamp_distance_m += moved_m
            counters.lamp_run_s += step_s
        self._run_s += step_s
        self._fast_s += step_s * (state.speed_kmh >= 40.0)
        self._idle_s += step_s * (state.speed_kmh <= 1.6)
        hot = state.coolant_c >= _WARM_UP_REACHED_C
        if hot and not self._warmed and state.coolant_c - self._start_c >= _WARM_UP_RISE_C:
            self._warmed = True
            counters.warm_ups = min(counters.warm_ups + 1, 255)

    def _detect(self, code: StoredCode, state: State) -> None:
        spec = code.spec
        if spec.when == "key-on":
            failed = state.key_on_s >= spec.after_s
        elif spec.when == "running":
            failed = state.running and state.run_s >= spec.after_s
        else:
            failed = spec.monitor in self.monitors.complete_this_drive
        if not failed:
            return
        earlier = code.pending and code.failed_drive < self._drive_number
        code.failed_drive, code.good_drives = self._drive_number, 0
        code.pending = code.failing = code.tested = True
        if spec.trips == 1 or earlier:
            code.confirmed = True
            code.permanent = code.permanent or (spec.lamp and 0x0A in self.spec.services)
        if self.frame_code is None:
            self._freeze(spec.code, state)

    def _freeze(self, code: str, state: State) -> None:
        self.frame_code = code
        self.frame = {
            pid: build_pid(pid, state, self.profile, self.spec)
            for pid in _FRAME_PIDS
            if pid in self.spec.pids and pid in KNOWN_PIDS
        }


def _frame_from_values(values: dict[str, float], context: Context) -> dict[int, bytes]:
    frame: dict[int, dict[str, float]] = {}
    raw: dict[int, bytes] = {}
    for name, value in values.items():
        pid = by_name(name).pid
        if pid == 0x03:
            raw[pid] = bytes([int(value), 0])
        else:
            frame.setdefault(pid, {})[name] = value
    return raw | {pid: encode_pid(pid, found, context) for pid, found in frame.items()}
