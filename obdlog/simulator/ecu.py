"""One control unit: request payload in, response payloads out (SAE J1979 / ISO 15031-5)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from obdlog.simulator.answers import (
    BAD_LENGTH,
    BAD_SUBFUNCTION,
    BUSY,
    CONDITIONS,
    NEGATIVE,
    NOT_IN_SESSION,
    NOT_SUPPORTED,
    OUT_OF_RANGE,
    PENDING,
    SUBFUNCTION_NOT_IN_SESSION,
    Answer,
    Refused,
    legislated_address,
)
from obdlog.simulator.buses import BusKind
from obdlog.simulator.codes import code_bytes
from obdlog.simulator.memory import Memory
from obdlog.simulator.profile import EcuSpec, Profile
from obdlog.simulator.reports import build_report
from obdlog.simulator.signals import KNOWN_PIDS, build_pid
from obdlog.simulator.state import State
from obdlog.simulator.vehicle import Vehicle

_OWN_PIDS = frozenset({0x01, 0x02, 0x21, 0x30, 0x31, 0x41, 0x4D, 0x4E})
_SESSION, _PRESENT = 0x10, 0x3E
_SILENT = frozenset(
    {NOT_SUPPORTED, BAD_SUBFUNCTION, OUT_OF_RANGE, SUBFUNCTION_NOT_IN_SESSION, NOT_IN_SESSION}
)
"""Refusals that a functional request is spared (ISO 14229-1)."""
_REPORTS = (0x01, 0x02, 0x0A)
_AVAILABLE = 0xAD
"""Status bits that a legislated unit tells by ISO 14229-1."""


@dataclass(frozen=True, slots=True)
class ListedCode:
    """A code of a legislated unit as reports of service 19 show it."""

    three: bytes
    status: int
    records: Mapping[str, str] = field(default_factory=dict)
    snapshot: Mapping[str, str] = field(default_factory=dict)


def build_bitmap(base: int, supported: set[int]) -> bytes:
    """Return the support bitmap of `base` + 1 to `base` + 32."""
    bits = 0
    for number in supported:
        if base < number <= base + 32:
            bits |= 1 << (32 - (number - base))
    if any(number > base + 32 for number in supported):
        bits |= 1
    return bits.to_bytes(4, "big")


class Ecu:
    """One ECU of the car; `on_erase` is called after an accepted erase."""

    legislated = True

    def __init__(
        self, profile: Profile, spec: EcuSpec, vehicle: Vehicle, on_erase: Callable[[], None]
    ) -> None:
        self.spec = spec
        self.memory = Memory(profile, spec)
        self._profile, self._vehicle, self._on_erase = profile, vehicle, on_erase
        self._bus: BusKind = profile.bus_kind
        self.address = legislated_address(self._bus, spec.address)
        own = _OWN_PIDS if spec.role == "engine" else _OWN_PIDS - {0x02}
        self._pids = {p for p in spec.pids if p in KNOWN_PIDS or p in own}
        self._busy = dict(spec.manners.busy)
        self._services: dict[int, Callable[[bytes], list[bytes] | None]]
        self._services = {
            0x01: self._current_data,
            0x02: self._freeze_frame,
            0x03: lambda rest: self._codes(0x43, "confirmed", rest),
            0x04: self._clear,
            0x05: self._oxygen_tests,
            0x06: self._tests,
            0x07: lambda rest: self._codes(0x47, "pending", rest),
            0x09: self._information,
            0x0A: lambda rest: self._codes(0x4A, "permanent", rest),
            0x14: self._clear_all,
            0x19: self._report,
            _SESSION: self._session,
            _PRESENT: self._present,
        }

    @property
    def state(self) -> State:
        """The car's physical state."""
        return self._vehicle.state

    def answer(self, payload: bytes, *, functional: bool) -> list[Answer]:
        """Return what this ECU answers; nothing where the standard wants silence.

        A functional request is never answered with "not supported" (ISO 15765-4).
        """
        delay = self.spec.latency_ms / 1000.0
        service = payload[0]
        key = f"{service:02X}"
        offered = service in self.spec.services or service in {_SESSION, _PRESENT}
        if not offered or service not in self._services:
            return self._refuse(service, NOT_SUPPORTED, delay, functional=functional)
        if self._busy.get(key, 0) > 0:
            self._busy[key] -= 1
            return self._refuse(service, BUSY, delay)
        answers: list[Answer] = []
        for _ in range(self.spec.manners.pending.get(key, 0)):
            answers += self._refuse(service, PENDING, delay)
            delay += self.spec.manners.gap_ms / 1000.0
        try:
            found = self._services[service](payload[1:])
        except Refused as refused:
            return self._refuse(service, refused.code, delay, functional=functional)
        if found is None:
            return self._refuse(service, BAD_SUBFUNCTION, delay, functional=functional)
        for index, reply in enumerate(found):
            answers.append(Answer(self.address, reply, delay + 0.01 * index))
        return answers if found else []

    def _refuse(
        self, service: int, code: int, delay: float, *, functional: bool = False
    ) -> list[Answer]:
        if functional and code in _SILENT:
            return []
        return [Answer(self.address, bytes([NEGATIVE, service, code]), delay)]

    # Services 01 and 02

    def _current_data(self, rest: bytes) -> list[bytes] | None:
        if not rest or len(rest) > (6 if self._bus.is_can else 1):
            return None
        data = b"".join(bytes([pid]) + found for pid in rest if (found := self._pid(pid)))
        return [b"\x41" + data] if data else None

    def _pid(self, pid: int) -> bytes:
        """Return the data of a PID; empty when this ECU does not support it."""
        if pid % 0x20 == 0:
            later = {p for p in self._pids if p > pid}
            return build_bitmap(pid, later) if later or pid == 0 else b""
        if pid not in self._pids:
            return b""
        memory, counters = self.memory, self.memory.counters
        if pid == 0x01:
            first = 0x80 * memory.lamp | min(len(memory.listed("confirmed")), 127)
            return memory.monitors.status_bytes(first, this_drive=False)
        if pid == 0x41:
            return memory.monitors.status_bytes(0, this_drive=True)
        if pid == 0x02:
            return code_bytes(memory.frame_code) if memory.frame_code else b"\x00\x00"
        if pid == 0x30:
            return bytes([counters.warm_ups])
        words = {
            0x21: counters.lamp_distance_m / 1000.0,
            0x31: counters.distance_m / 1000.0,
            0x4D: counters.lamp_run_s / 60.0,
            0x4E: counters.run_s / 60.0,
        }
        if pid in words:
            return min(int(words[pid]), 0xFFFF).to_bytes(2, "big")
        return build_pid(pid, self.state, self._profile, self.spec)

    def _freeze_frame(self, rest: bytes) -> list[bytes] | None:
        if len(rest) not in ((2, 4, 6) if self._bus.is_can else (2,)):
            return None
        data = b""
        for pid, frame in zip(rest[::2], rest[1::2], strict=True):
            found = self._frame_pid(pid) if frame == 0 else b""
            if found:
                data += bytes([pid, frame]) + found
        return [b"\x42" + data] if data else None

    def _frame_pid(self, pid: int) -> bytes:
        memory = self.memory
        known = set(memory.frame) | {0x02}
        if pid % 0x20 == 0:
            later = {p for p in known if p > pid}
            return build_bitmap(pid, later) if later or pid == 0 else b""
        if pid == 0x02:
            return code_bytes(memory.frame_code) if memory.frame_code else b"\x00\x00"
        return memory.frame.get(pid, b"")

    # Services 03, 04, 07, 0A

    def _codes(self, first: int, kind: str, rest: bytes) -> list[bytes] | None:
        if rest:
            return None
        found = [code_bytes(text) for text in self.memory.listed(kind)]
        if self._bus.is_can:
            return [bytes([first, len(found)]) + b"".join(found)]
        # Three codes a message, padded; one message of zeros when there are none.
        groups = [found[i : i + 3] for i in range(0, len(found), 3)] or [[]]
        return [bytes([first]) + b"".join(group).ljust(6, b"\x00") for group in groups]

    def _clear(self, rest: bytes) -> list[bytes] | None:
        if rest:
            return None
        if self.state.rpm > 0:
            return [bytes([NEGATIVE, 0x04, CONDITIONS])]
        self._forget()
        return [b"\x44"]

    def _forget(self) -> None:
        self.memory.erase()
        if self.spec.role == "engine":
            self._vehicle.forget_trims()
        self._on_erase()

    # Services 14 and 19 (ISO 14229-1), for a unit that offers them besides

    def listed(self) -> list[ListedCode]:
        """Return every code the unit can set, as ISO 14229-1 shows it."""
        return [
            ListedCode(code_bytes(c.spec.code) + bytes([c.spec.failure_type]), c.status)
            for c in self.memory.codes
        ]

    def _report(self, rest: bytes) -> list[bytes]:
        return build_report(rest, self.listed(), _AVAILABLE, _REPORTS)

    def _clear_all(self, rest: bytes) -> list[bytes]:
        if len(rest) != 3:
            raise Refused(BAD_LENGTH)
        if rest != b"\xff\xff\xff":
            raise Refused(OUT_OF_RANGE)
        if self.state.rpm > 0:
            raise Refused(CONDITIONS)
        self._forget()
        return [b"\x54"]

    # Services 05 and 06

    def _oxygen_tests(self, rest: bytes) -> list[bytes] | None:
        if len(rest) != 2 or self._bus.is_can:
            return None
        tid, sensor = rest
        tests = [t for t in self.spec.oxygen_test if t.sensor == sensor]
        if tid % 0x20 == 0:
            found = {t.tid for t in tests if t.tid > tid}
            return [bytes([0x45, tid, sensor]) + build_bitmap(tid, found)] if found else None
        for test in tests:
            if test.tid == tid:
                limits = [b for b in (test.low, test.high) if b is not None]
                return [bytes([0x45, tid, sensor, test.value, *limits])]
        return None

    def _tests(self, rest: bytes) -> list[bytes] | None:
        if len(rest) != 1:
            return None
        return self._monitor_tests(rest[0]) if self._bus.is_can else self._legacy_tests(rest[0])

    def _monitor_tests(self, mid: int) -> list[bytes] | None:
        known = {t.mid for t in self.spec.test}
        if mid % 0x20 == 0:
            later = {m for m in known if m > mid}
            return [bytes([0x46, mid]) + build_bitmap(mid, later)] if later else None
        body = b""
        for test in self.spec.test:
            if test.mid == mid:
                # A test that has not run since the last erase reports zeros.
                ran = test.monitor in self.memory.tested
                words = (test.value, test.low, test.high) if ran else (0, 0, 0)
                body += bytes([mid, test.tid, test.uasid])
                body += b"".join((w & 0xFFFF).to_bytes(2, "big") for w in words)
        return [b"\x46" + body] if body else None

    def _legacy_tests(self, tid: int) -> list[bytes] | None:
        tests = self.spec.legacy_test
        if tid % 0x20 == 0:
            later = {t.tid for t in tests if t.tid > tid}
            return [bytes([0x46, tid, 0xFF]) + build_bitmap(tid, later)] if later else None
        replies = []
        for test in tests:
            if test.tid == tid:
                ran = test.monitor in self.memory.tested
                words = (test.value, test.limit) if ran else (0, 0)
                body = b"".join(w.to_bytes(2, "big") for w in words)
                replies.append(bytes([0x46, tid, test.component]) + body)
        return replies or None

    # Service 09

    def _information(self, rest: bytes) -> list[bytes] | None:
        if len(rest) != 1:
            return None
        kind = rest[0]
        items = self._items()
        counted = {
            0x01: 0x02,
            0x03: 0x04,
            0x05: 0x06,
            0x07: 0x08,
            0x09: 0x0A,
            0x0C: 0x0D,
            0x0E: 0x0F,
        }
        if kind == 0:
            numbers = set(items)
            if not self._bus.is_can:
                numbers |= {k for k, v in counted.items() if v in items}
            head = b"\x49\x00" if self._bus.is_can else b"\x49\x00\x01"
            return [head + build_bitmap(0, numbers)]
        if self._bus.is_can:
            if kind not in items:
                return None
            count, data = items[kind]
            return [bytes([0x49, kind, count]) + data]
        if kind in counted and counted[kind] in items:
            parts = self._legacy_parts(items[counted[kind]][1])
            return [bytes([0x49, kind, len(parts)])]
        if kind not in items:
            return None
        parts = self._legacy_parts(items[kind][1])
        return [bytes([0x49, kind, n]) + part for n, part in enumerate(parts, 1)]

    @staticmethod
    def _legacy_parts(data: bytes) -> list[bytes]:
        """Cut into messages of four bytes; what is short is padded in front, as the VIN is."""
        data = data.rjust(-(-len(data) // 4) * 4, b"\x00")
        return [data[i : i + 4] for i in range(0, len(data), 4)]

    def _items(self) -> dict[int, tuple[int, bytes]]:
        """Return info type → (item count, data)."""
        spec = self.spec
        items: dict[int, tuple[int, bytes]] = {}
        if spec.role == "engine":
            items[0x02] = (1, self._profile.vin.encode("ascii"))
        if spec.calibrations:
            texts = [c.encode("ascii")[:16].ljust(16, b"\x00") for c in spec.calibrations]
            items[0x04] = (len(texts), b"".join(texts))
        if spec.cvns:
            items[0x06] = (len(spec.cvns), b"".join(bytes.fromhex(c) for c in spec.cvns))
        counts = self.memory.performance
        if counts:
            kind = 0x08 if self._profile.engine.kind == "spark" else 0x0B
            items[kind] = (len(counts), b"".join(c.to_bytes(2, "big") for c in counts))
        short, _, long = spec.name.partition("-")
        name = short.encode("ascii")[:4].ljust(4, b"\x00") + b"-" + long.encode("ascii")[:15]
        items[0x0A] = (1, name.ljust(20, b"\x00"))
        texts17 = {0x0D: spec.engine_serial_number, 0x0F: spec.type_approval}
        for kind, text in texts17.items():
            if text:
                items[kind] = (1, text.encode("ascii")[:17].rjust(17, b"\x00"))
        if spec.evap_distance_km is not None:
            items[0x14] = (1, self.memory.evap_distance_km.to_bytes(2, "big"))
        return items

    # Services outside SAE J1979 that testers send anyway

    def _session(self, rest: bytes) -> list[bytes] | None:
        return [b"\x50\x01\x00\x32\x01\xf4"] if rest[:1] == b"\x01" else None

    def _present(self, rest: bytes) -> list[bytes] | None:
        if rest == b"\x80":
            return []
        return [b"\x7e" + rest[:1]]
