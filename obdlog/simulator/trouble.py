"""What a module beyond the legislated ones remembers: codes, their status, and how it changes."""

from __future__ import annotations

from dataclasses import dataclass, field

from obdlog.simulator import codes
from obdlog.simulator.codes import code_bytes
from obdlog.simulator.module_spec import ModuleCode, ModuleSpec
from obdlog.simulator.state import Key, State

DRIVEN_KMH = 20.0
"""From this speed on a drive counts (invented)."""

_OLDER = "iso-14230"
_FIRST_OF_MANY = 0x5000
_OCCURRENCES = "01"


@dataclass(slots=True)
class Trouble:
    """One code of a module; `waited_s` is None while its test is not going to run."""

    spec: ModuleCode
    older: bool
    status: int
    waited_s: float | None = None
    records: dict[str, str] = field(default_factory=dict)
    snapshot: dict[str, str] = field(default_factory=dict)

    @property
    def three(self) -> bytes:
        """The code and its failure type."""
        return code_bytes(self.spec.code) + bytes([self.spec.failure_type])

    @property
    def severity(self) -> int:
        """Severity byte (ISO 14229-1)."""
        return self.spec.severity

    @property
    def stored(self) -> bool:
        """Whether the module holds a fault under this code."""
        if self.older:
            return bool(self.status & (codes.OLDER_STORED | codes.OLDER_THERE))
        return bool(self.status & (codes.CONFIRMED | codes.PENDING | codes.FAILED))

    def erase(self) -> None:
        """Forget all but a lamp that stays lit until the key was off or the car was driven."""
        lamp = self.status & codes.LAMP if self.spec.lamp in ("key-cycle", "drive") else 0
        untested = codes.OLDER_UNTESTED if self.older else codes.UNTESTED | codes.UNTESTED_CYCLE
        self.status = untested | lamp
        self.records, self.snapshot = {}, {}
        # What is tested only at switch-on waits for the next key cycle.
        self.waited_s = None if self.spec.when == "key-on" else 0.0

    def begin_cycle(self) -> None:
        """Note that the key came on."""
        if not self.older:
            self.status = self.status & ~codes.FAILED_CYCLE | codes.UNTESTED_CYCLE
        if self.spec.lamp == "key-cycle" and not self.stored:
            self.status &= ~codes.LAMP
        self.waited_s = 0.0

    def drive(self) -> None:
        """Note that the car is driven."""
        if self.spec.lamp == "drive" and not self.stored:
            self.status &= ~codes.LAMP

    def advance(self, state: State, step_s: float) -> None:
        """Let time pass in which the test may run."""
        if self.waited_s is None:
            return
        meets = {
            "key-on": True,
            "always": True,
            "running": state.running,
            "drive": state.speed_kmh >= DRIVEN_KMH,
        }
        if meets[self.spec.when]:
            self.waited_s += step_s
            if self.waited_s >= self.spec.after_s:
                self.waited_s = None
                self._test()

    def _test(self) -> None:
        lamp = codes.LAMP if self.spec.lamp != "none" else 0
        if self.older:
            self.status &= ~(codes.OLDER_UNTESTED | codes.OLDER_THERE)
            if self.spec.present:
                self.status |= (
                    codes.OLDER_STORED | codes.OLDER_THERE | self.spec.symptom & 0x0F | lamp
                )
            return
        self.status &= ~(codes.FAILED | codes.UNTESTED | codes.UNTESTED_CYCLE)
        if self.spec.present:
            known = codes.FAILED | codes.FAILED_CYCLE | codes.PENDING
            self.status |= known | codes.CONFIRMED | codes.FAILED_SINCE | lamp
            self.snapshot = dict(self.spec.snapshot)
            self.records = self.records or dict(self.spec.records)
            if _OCCURRENCES in self.spec.records:
                self.records[_OCCURRENCES] = "01"


class ModuleMemory:
    """One module's diagnostic memory."""

    def __init__(self, spec: ModuleSpec) -> None:
        self.older = spec.language == _OLDER
        self.troubles = [
            Trouble(c, self.older, c.status, None, dict(c.records), dict(c.snapshot))
            for c in spec.code
        ]
        for number in range(_FIRST_OF_MANY, _FIRST_OF_MANY + spec.many_codes):
            history = codes.OLDER_STORED if self.older else codes.CONFIRMED | codes.FAILED_SINCE
            code = ModuleCode(f"C1{number & 0xFFF:03X}", failure_type=0x08)
            self.troubles.append(Trouble(code, self.older, history))
        self._driven = False

    @property
    def stored(self) -> list[Trouble]:
        """The codes under which a fault is held."""
        return [t for t in self.troubles if t.stored]

    def erase(self, wanted: list[Trouble]) -> None:
        """Erase these codes."""
        for trouble in wanted:
            trouble.erase()
        self._driven = False

    def begin_cycle(self) -> None:
        """Note that the key came on."""
        self._driven = False
        for trouble in self.troubles:
            trouble.begin_cycle()

    def advance(self, state: State, step_s: float) -> None:
        """Let `step_s` [s] pass."""
        if state.key is not Key.ON:
            return
        for trouble in self.troubles:
            trouble.advance(state, step_s)
        if not self._driven and state.speed_kmh >= DRIVEN_KMH:
            self._driven = True
            for trouble in self.troubles:
                trouble.drive()
