"""The simulated car as a whole: key, driver, engine and control units, in one time."""

from __future__ import annotations

from collections.abc import Callable

from obdlog.clock import Clock, ManualClock
from obdlog.simulator.answers import Answer
from obdlog.simulator.drives import load_drive
from obdlog.simulator.ecu import Ecu
from obdlog.simulator.module import Module
from obdlog.simulator.on_uds import UdsEcu
from obdlog.simulator.profile import Profile, load_profile
from obdlog.simulator.state import Key, Motion, State
from obdlog.simulator.vehicle import STEP_S, Vehicle

KEY_OFF_S = 30.0
"""How long the key stays off in a key cycle [s]; the car's own time, nobody waits for it."""

_KEY_POSITIONS = ("off", "on", "start")
_Event = tuple[float, Callable[[], None]]


class SimulatedCar:
    """One car that lives in `clock`; several links may speak to it one after the other.

    It begins with the key on and the engine off, codes and lamps as the scenario says.

    Parameters
    ----------
    scenario
        Name of a profile, or a profile.
    drive
        When given, the engine starts `engine_start_after_s` [s] later and the driver follows
        this drive.
    cleared
        Begin as after an accepted erase.
    start_after_clear_s
        When given, the engine and the scenario's drive are started so much later [s] than the
        last accepted erase, and than the last request to a module beyond the legislated ones.
    key_cycle_after_erase_s
        When given, the driver turns the key off and on again so long [s] after the last accepted
        erase, before any such start.

    Raises
    ------
    LinkOpenError
        There is no such scenario or drive.
    """

    def __init__(
        self,
        scenario: str | Profile,
        seed: int = 1,
        clock: Clock | None = None,
        *,
        drive: str | None = None,
        cleared: bool = False,
        engine_start_after_s: float = 10.0,
        start_after_clear_s: float | None = None,
        key_cycle_after_erase_s: float | None = None,
    ) -> None:
        self.profile = scenario if isinstance(scenario, Profile) else load_profile(scenario)
        self.clock: Clock = clock if clock is not None else ManualClock()
        self.seed = seed
        self.vehicle = Vehicle(self.profile, seed)
        unit = UdsEcu if self.profile.generation == "on-uds" else Ecu
        self.ecus: tuple[Ecu, ...] = tuple(
            unit(self.profile, spec, self.vehicle, self._erased) for spec in self.profile.ecu
        )
        self.modules = tuple(
            Module(spec, self.vehicle, self._erased) for spec in self.profile.module
        )
        self._origin_s = self.clock.now_s()
        self._skipped_s = 0.0
        self.start_after_clear_s = start_after_clear_s
        self.key_cycle_after_erase_s = key_cycle_after_erase_s
        self._events: list[_Event] = []
        self._after_erase: list[_Event] = []
        self.vehicle.turn_key(Key.ON)
        if cleared:
            for ecu in self.ecus:
                ecu.memory.erase()
            for module in self.modules:
                module.memory.erase(module.memory.troubles)
            self.vehicle.forget_trims()
        if drive is not None:
            load_drive(drive)
            self._later(engine_start_after_s, lambda: self._set_off(drive))

    @property
    def state(self) -> State:
        """The car's physical state, brought up to the present."""
        self.advance()
        return self.vehicle.state

    @property
    def awake(self) -> bool:
        """Whether the control units answer: the key is on."""
        return self.state.key is Key.ON

    def battery_v(self) -> float:
        """Return the voltage at the diagnostic connector [V]."""
        return self.state.battery_v

    def key(self, position: str) -> None:
        """Turn the key to ``off``, ``on`` or ``start``; whatever was planned is dropped.

        Raises
        ------
        ValueError
            It has no such position.
        """
        if position not in _KEY_POSITIONS:
            raise ValueError(f"the key has no position {position!r}: {', '.join(_KEY_POSITIONS)}")
        self.advance()
        self._events.clear()
        self._turn(position)

    def drive(self, name: str) -> None:
        """Start the engine if it stands, and follow a drive from now on."""
        found = load_drive(name)
        self.advance()
        if self.vehicle.state.motion is Motion.STOPPED:
            self._turn("start")
        self.vehicle.begin_drive(found)

    def after_key_cycle(self, off_s: float = KEY_OFF_S) -> None:
        """Turn the key off, let the car stand `off_s` [s] of its own time, turn it on."""
        self.key("off")
        self._skipped_s += off_s
        self.advance()
        self.key("on")

    def advance(self, at_s: float | None = None) -> None:
        """Bring the car up to `at_s` of its clock [s], by default to the present."""
        now = self.clock.now_s() if at_s is None else at_s
        since_s = now - self._origin_s + 1e-9
        vehicle, state = self.vehicle, self.vehicle.state
        while state.time_s + STEP_S <= since_s + self._skipped_s:
            while self._events and self._events[0][0] <= state.time_s:
                self._events.pop(0)[1]()
            was_running, before_m = state.running, state.distance_m
            vehicle.step()
            if state.running and not was_running:
                for ecu in self.ecus:
                    ecu.memory.begin_drive(state)
            moved_m = state.distance_m - before_m
            for ecu in self.ecus:
                ecu.memory.advance(state, STEP_S, moved_m)
            for module in self.modules:
                module.memory.advance(state, STEP_S)

    def answers(
        self, payload: bytes, target: int | None, at_s: float, *, id_bits: int | None = None
    ) -> list[Answer]:
        """Return all answers to a request at `at_s` of the clock, earliest first.

        `target` is the identifier or node asked directly, None for all (functional): those are
        the legislated units. `id_bits` is the width of the identifier, by default the one of the
        legislated units.
        """
        self.advance(at_s)
        if not payload or self.vehicle.state.key is not Key.ON:
            return []
        width = self.profile.bus_kind.id_bits if id_bits is None else id_bits
        found: list[Answer] = []
        for ecu in self.ecus:
            hears = target is None or target == ecu.address.request
            if hears and width == ecu.address.id_bits:
                found += ecu.answer(payload, functional=target is None)
        for module in self.modules:
            if target == module.address.request and width == module.address.id_bits:
                found += module.answer(payload, at_s + self._skipped_s)
                self._put_off()
        return sorted(found, key=lambda answer: answer.after_s)

    def _turn(self, position: str) -> None:
        state = self.vehicle.state
        if position == "off":
            if state.key is Key.ON:
                for ecu in self.ecus:
                    ecu.memory.end_drive()
            self.vehicle.turn_key(Key.OFF)
        else:
            if state.key is Key.OFF:
                for module in self.modules:
                    module.begin_cycle()
            self.vehicle.turn_key(Key.ON)
            if position == "start":
                self.vehicle.crank()

    def _set_off(self, name: str) -> None:
        self._turn("start")
        self.vehicle.begin_drive(load_drive(name))

    def _later(self, after_s: float, action: Callable[[], None]) -> _Event:
        event = (self.vehicle.state.time_s + after_s, action)
        self._events.append(event)
        self._events.sort(key=lambda event: event[0])
        return event

    def _erased(self) -> None:
        """Plan what the driver does after an erase, anew after each."""
        if any(event not in self._after_erase for event in self._events):
            return
        self._events.clear()
        planned, wait_s = [], 0.0
        if self.key_cycle_after_erase_s is not None:
            wait_s = self.key_cycle_after_erase_s
            planned.append(self._later(wait_s, self._switch_off))
            wait_s += KEY_OFF_S
            planned.append(self._later(wait_s, lambda: self._turn("on")))
        if self.start_after_clear_s is not None:
            name = self.profile.timeline.drive
            planned.append(
                self._later(wait_s + self.start_after_clear_s, lambda: self._set_off(name))
            )
        self._after_erase = planned

    def _put_off(self) -> None:
        """Let the driver wait while a module is asked: everybody sees that somebody is at work."""
        if self._after_erase and self._events == self._after_erase:
            self._erased()

    def _switch_off(self) -> None:
        self._turn("off")
        self._skipped_s += KEY_OFF_S
