"""Far side of the AT-command dialect: bytes in at a time, bytes out at times.

The adapter has no clock. It is told when bytes arrive and says when its own are due, so one
implementation serves simulated and real time.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from math import inf
from random import Random

from obdlog.simulator.answers import Answer
from obdlog.simulator.buses import BY_NUMBER, FUNCTIONAL_11, FUNCTIONAL_29, BusKind
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.frames import Frame, build_can_frames, build_legacy_frame
from obdlog.simulator.personality import Personality
from obdlog.simulator.printer import print_frame
from obdlog.simulator.settings import Settings

_MAX_LINE = 256
_MAX_QUEUED = 4096
_HEX = re.compile(r"[0-9A-F]+")
_RESET_S, _WARM_RESET_S = 0.75, 0.12
_SEARCH_S = {"can": 0.35, "j1850": 0.5, "iso9141": 2.9, "kwp": 2.6}
_LOST_BUS_S = 0.45
_PENDING_WAIT_S = 5.0
_NOBODY = -1


class Adapter:
    """One adapter plugged into one car."""

    def __init__(self, car: SimulatedCar, personality: Personality, seed: int = 1) -> None:
        self._car, self._nature = car, personality
        self._random = Random(f"{personality.name}/{seed}")
        self._settings = Settings()
        self._settings.style.pads = personality.pads
        self._typed = bytearray()
        self._last = ""
        self._out: deque[tuple[float, bytes]] = deque()
        self._cursor_s = 0.0
        self._heard_s = 0.0
        self._listen_from_s, self._listen_until_s = inf, -inf
        self._connected: BusKind | None = None
        self._connected_from_s = -inf
        self._usual_s: float | None = None

    @property
    def _char_s(self) -> float:
        return 10.0 / self._nature.baud

    # Bytes

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes that the other side began to send at `now_s`."""
        at = max(now_s, self._heard_s)
        for byte in data:
            at += self._char_s
            if byte in b"\n\x00" or len(self._out) > _MAX_QUEUED:
                continue
            if self._listen_from_s <= at < self._listen_until_s:
                self._interrupt(at)
            elif byte == 0x0D:
                line = self._typed.decode("latin-1")
                self._typed.clear()
                self._obey(line, at)
            elif len(self._typed) <= _MAX_LINE:
                self._typed.append(byte)
        self._heard_s = at

    def unplug(self) -> None:
        """Forget half a line and unsent output, as when another client takes over."""
        self._typed.clear()
        self._out.clear()
        self._cursor_s = 0.0
        self._listen_from_s, self._listen_until_s = inf, -inf

    def due(self, now_s: float) -> bytes:
        """Return all bytes whose time has come."""
        found = bytearray()
        while self._out and self._out[0][0] <= now_s:
            found += self._out.popleft()[1]
        return bytes(found)

    def next_due_s(self) -> float | None:
        """Return when the next bytes are due, None when there are none."""
        return self._out[0][0] if self._out else None

    def _emit(self, text: str, at_s: float) -> float:
        """Send `text`, not before `at_s`; return when its last byte is out."""
        raw = text.encode("latin-1")
        self._cursor_s = max(self._cursor_s, at_s) + len(raw) * self._char_s
        self._out.append((self._cursor_s, self._disturb(raw)))
        return self._cursor_s

    def _disturb(self, raw: bytes) -> bytes:
        nature, random = self._nature, self._random
        if not (nature.nul_rate or nature.drop_rate):
            return raw
        kept = bytearray()
        for byte in raw:
            if random.random() < nature.nul_rate:
                kept.append(0)
            # A lost prompt would only make every client wait.
            if byte == 0x3E or random.random() >= nature.drop_rate:
                kept.append(byte)
        return bytes(kept)

    @property
    def _eol(self) -> str:
        return "\r\n" if self._settings.linefeeds else "\r"

    def _finish(self, at_s: float) -> None:
        self._emit(f"{self._eol}>", at_s)

    def _interrupt(self, at_s: float) -> None:
        while self._out and self._out[-1][0] > at_s:
            self._out.pop()
        self._cursor_s = at_s
        self._listen_from_s, self._listen_until_s = inf, -inf
        if at_s < self._connected_from_s:
            self._connected = None
        self._emit(f"STOPPED{self._eol}", at_s)
        self._finish(at_s)

    # Commands

    def _obey(self, line: str, at_s: float) -> None:
        start = max(at_s, self._cursor_s)
        if self._settings.echo:
            start = self._emit(line + self._eol, start)
        command = "".join(line.split()).upper()
        if not command:
            command = self._last
        if not command:
            self._finish(start)
            return
        self._last = command
        if len(line) > _MAX_LINE:
            self._reply(["?"], start)
        elif command.startswith("AT"):
            self._configure(command[2:], start)
        elif _HEX.fullmatch(command):
            self._ask(command, start)
        else:
            self._reply(["?"], start)

    def _reply(self, lines: list[str], at_s: float) -> None:
        for line in lines:
            self._emit(line + self._eol, at_s)
        self._finish(at_s)

    def _configure(self, command: str, at_s: float) -> None:
        if any(command.startswith(beginning) for beginning in self._nature.unknown):
            self._reply(["?"], at_s)
            return
        actions: dict[str, Callable[[], list[str]]] = {
            "I": lambda: [self._nature.identity],
            "@1": lambda: [self._nature.device],
            "RV": lambda: [f"{self._volts(at_s):.1f}V"],
            "IGN": lambda: ["ON" if self._key_on(at_s) else "OFF"],
            "DP": lambda: [self._protocol_text()],
            "DPN": lambda: [self._protocol_number()],
            "PC": self._close_bus,
        }
        if command in {"Z", "WS"}:
            self._reset(at_s, _RESET_S if command == "Z" else _WARM_RESET_S)
        elif command == "D":
            self._settings.restore()
            self._settings.style.pads = self._nature.pads
            self._reply(["OK"], at_s)
        elif command in {"MA", "MR", "MT"} or re.fullmatch(r"M[RT][0-9A-F]{2}", command):
            self._listen_from_s, self._listen_until_s = at_s, inf
        elif command in actions:
            self._reply(actions[command](), at_s)
        else:
            before = self._settings.protocol
            known = self._settings.apply(command)
            if self._settings.protocol != before or command.startswith(("SP", "TP")):
                self._connected = None
            self._reply(["OK" if known else "?"], at_s)

    def _reset(self, at_s: float, takes_s: float) -> None:
        protocol = self._settings.saved_protocol
        self._settings = Settings(saved_protocol=protocol, protocol=protocol)
        self._settings.style.pads = self._nature.pads
        self._connected, self._usual_s = None, None
        self._last = ""
        self._emit(f"\r\r{self._nature.identity}\r\r>", at_s + takes_s)

    def _close_bus(self) -> list[str]:
        self._connected = None
        return ["OK"]

    def _key_on(self, at_s: float) -> bool:
        self._car.advance(at_s)
        return self._car.awake

    def _volts(self, at_s: float) -> float:
        self._car.advance(at_s)
        return self._car.battery_v() - 0.05 + self._settings.volt_offset

    def _protocol_text(self) -> str:
        settings = self._settings
        kind = self._connected or BY_NUMBER.get(settings.protocol)
        title = kind.title if kind else ""
        if settings.automatic:
            return f"AUTO, {title}" if title else "AUTO"
        return title or "USER"

    def _protocol_number(self) -> str:
        number = self._connected.number if self._connected else self._settings.protocol
        return f"A{number}" if self._settings.automatic else number

    # Requests to the car

    def _ask(self, command: str, at_s: float) -> None:
        count = 0
        if len(command) % 2:
            command, digit = command[:-1], int(command[-1], 16)
            count = digit if self._nature.counts else 0
        payload = bytes.fromhex(command)
        if not 1 <= len(payload) <= (8 if not self._settings.style.formatting else 7):
            self._reply(["?"], at_s)
            return
        self._listen_from_s = at_s
        ready = self._connect(at_s)
        if ready is None:
            return
        self._converse(payload, count, ready)

    def _connect(self, at_s: float) -> float | None:
        """Return when the bus is ready; None when it is not and that has been said."""
        car_kind = self._car.profile.bus_kind
        awake = self._key_on(at_s)
        if self._connected is not None:
            if awake:
                return at_s
            self._fail("CAN ERROR" if car_kind.is_can else "NO DATA", at_s + _LOST_BUS_S)
            return None
        settings = self._settings
        if settings.automatic:
            start = self._emit("SEARCHING...", at_s)
            # The search asks for the PIDs of service 01, which a car after SAE J1979-2 lacks.
            if not awake or self._car.profile.generation != "classic":
                self._emit(self._eol, start)
                self._fail("UNABLE TO CONNECT", start + 5.0)
                return None
            ready = start + _SEARCH_S[car_kind.family]
            self._emit(self._eol, ready)
            self._connected, self._connected_from_s = car_kind, ready
            return ready
        wanted = BY_NUMBER.get(settings.protocol)
        fits = awake and wanted is not None and self._shares_bus(wanted)
        if wanted is not None and wanted.family in {"iso9141", "kwp"}:
            dots = "" if wanted.number == "5" else "..."
            takes = 0.35 if wanted.number == "5" else 2.6
            start = self._emit(f"BUS INIT: {dots}", at_s)
            end = self._emit(("OK" if fits else "ERROR") + self._eol, start + takes)
            if not fits:
                self._listen_until_s = end
                self._finish(end)
                return None
            self._connected, self._connected_from_s = car_kind, end
            return end
        if not fits:
            is_can = wanted is None or wanted.is_can
            self._fail("CAN ERROR" if is_can else "NO DATA", at_s + _LOST_BUS_S)
            return None
        self._connected = wanted
        return at_s

    def _shares_bus(self, wanted: BusKind) -> bool:
        """Whether what is sent on `wanted` gets through: on CAN the speed alone decides."""
        kind = self._car.profile.bus_kind
        return wanted is kind or (
            wanted.is_can and kind.is_can and wanted.bit_rate == kind.bit_rate
        )

    def _fail(self, text: str, at_s: float) -> None:
        self._listen_until_s = at_s
        self._reply([text], at_s)

    def _converse(self, payload: bytes, count: int, at_s: float) -> None:
        kind = self._connected or self._car.profile.bus_kind
        sent = at_s + self._nature.overhead_s + self._request_s(kind, payload)
        asked, target = self._unwrap(payload, kind), self._target(kind)
        answers: list[Answer] = []
        if asked and target != _NOBODY:
            answers = self._car.answers(asked, target, sent, id_bits=kind.id_bits)
        if not self._settings.responses:
            self._listen_until_s = sent
            self._finish(sent)
            return
        end, printed, patience = sent, 0, self._wait_s()
        for arrival, frame, pending in self._arrivals(kind, answers, sent):
            if arrival - end > patience:
                break
            end = arrival
            # An ECU that asks for more time gets it.
            patience = _PENDING_WAIT_S if pending else self._wait_s()
            for line in print_frame(frame, kind, self._settings.style):
                self._emit(line + self._eol, arrival)
            printed += 1
            if count and printed >= count:
                break
        satisfied = bool(count) and printed >= count
        if printed:
            self._learn(end - sent)
        if not satisfied:
            end += self._wait_s()
        self._listen_until_s = end
        if printed == 0:
            self._emit(f"NO DATA{self._eol}", end)
        self._finish(end)

    def _arrivals(
        self, kind: BusKind, answers: list[Answer], sent_s: float
    ) -> list[tuple[float, Frame, bool]]:
        """Return (time, frame, whether the ECU asked for more time), in order of arrival."""
        found: list[tuple[float, Frame, bool]] = []
        settings = self._settings
        free = sent_s
        for answer in answers:
            began = sent_s + answer.after_s
            pending, at = answer.pending, answer.source
            if kind.is_can:
                if self._nature.filters and not settings.passes(at.response, kind.id_bits):
                    continue
                frames = build_can_frames(at.response, answer.payload, gap_s=settings.separation_s)
                if len(frames) > 1 and not settings.flows(at.request, at.response, kind.id_bits):
                    frames = frames[:1]
                if self._nature.keep_frames:
                    frames = frames[: self._nature.keep_frames]
                found += [(began + f.after_s, f, pending) for f in frames]
            else:
                frame = build_legacy_frame(kind, f"{at.response:02X}", answer.payload)
                # One wire: a message waits until the one before has gone.
                free = max(began, free) + frame.after_s
                found.append((free, frame, pending))
        return sorted(found, key=lambda item: item[0])

    def _request_s(self, kind: BusKind, payload: bytes) -> float:
        if kind.is_can:
            return 130.0 / kind.bit_rate
        gap_s = 0.002 if kind.family == "j1850" else 0.055
        return gap_s + 10.0 / kind.bit_rate * (len(payload) + 4)

    def _unwrap(self, payload: bytes, kind: BusKind) -> bytes:
        """Return the request that an ECU understands; with formatting off, behind the PCI."""
        if not kind.is_can or self._settings.style.formatting:
            return payload
        length = payload[0]
        return payload[1 : 1 + length] if 1 <= length <= len(payload) - 1 else b""

    def _target(self, kind: BusKind) -> int | None:
        """Return the address asked directly, None for all, `_NOBODY` when none can hear it."""
        header = self._settings.header
        if header is None:
            return None
        if kind.id_bits == 11:
            identifier = header & 0x7FF
            return None if identifier == FUNCTIONAL_11 else identifier
        if kind.id_bits == 29:
            identifier = self._settings.priority << 24 | header & 0xFF_FFFF
            if header > 0xFF_FFFF:
                identifier = header & 0x1FFF_FFFF
            return None if identifier == FUNCTIONAL_29 else identifier
        lead = (header & 0xFF_FFFF).to_bytes(3, "big")
        if lead[:2] == kind.request_header[:2]:
            return None
        if kind.family == "iso9141" or lead[0] in {0x68, 0x61, 0xC2}:
            return _NOBODY
        return lead[1]

    def _wait_s(self) -> float:
        settings = self._settings
        if not self._nature.adaptive or settings.adaptive == 0 or self._usual_s is None:
            return settings.timeout_s
        margin = 0.024 if settings.adaptive == 1 else 0.008
        return min(settings.timeout_s, 1.25 * self._usual_s + margin)

    def _learn(self, took_s: float) -> None:
        usual = self._usual_s or 0.0
        self._usual_s = max(took_s, usual + (took_s - usual) * 0.1)
