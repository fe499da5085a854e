"""An adapter for tests that obeys its settings, and a car with modules of every kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from obdlog.model import Request
from obdlog.transport.adapter_link import AdapterTransport
from tests.transport.fake_adapter import BANNER, DELAY_S, FakeAdapter, said

DEFAULT_HEADERS = {"6": "7DF", "7": "18DB33F1", "8": "7DF", "9": "18DB33F1"}
DEFAULT_FILTERS = {
    "6": (0x7E8, 0x7F8),
    "7": (0x18DAF100, 0x1FFFFF00),
    "8": (0x7E8, 0x7F8),
    "9": (0x18DAF100, 0x1FFFFF00),
}


@dataclass
class Unit:
    """One module of a `SettableAdapter`'s car: answers `table` (hex) after `after_s` [s]."""

    request: str
    response: str
    table: Mapping[str, str | list[str]]
    functional: bool = False
    after_s: float = 0.01


class SettableAdapter(FakeAdapter):
    """An adapter that obeys header, filter, flow control, waiting time and protocol.

    By the published ELM327-style command set (from memory, common practice): the default filter
    lets 7E8–7EF or 18DAF1xx through; flow control goes by itself to those only; mode 1 needs
    header and data first; selecting a protocol brings its default header back.

    Parameters
    ----------
    refuses
        Beginnings of commands that are answered with ``?``.
    ignores
        Beginnings of commands that are accepted and have no effect.
    traffic
        Lines of frames that are always on the bus.
    wrong_bus
        What is said on a protocol that is not the car's.
    """

    def __init__(
        self,
        units: Sequence[Unit],
        *,
        number: str = "6",
        refuses: Sequence[str] = (),
        ignores: Sequence[str] = (),
        traffic: Sequence[str] = (),
        wrong_bus: str = "NO DATA",
        both_widths: bool = False,
        automatic: bool = True,
    ) -> None:
        super().__init__({"0100": b">", "ATDPN": b">"})
        self._script.clear()
        self.units = units
        self.refuses = list(refuses)
        self.ignores = list(ignores)
        self.traffic = list(traffic)
        self.restart_at: list[str] = []
        self.flow_controls: list[str] = []
        self._car_number = number
        self._wrong_bus = wrong_bus
        self._both_widths = both_widths
        self._automatic = automatic
        self.stored = "0"
        self._restart()

    def _restart(self) -> None:
        self.number = self.stored
        self.header = ""
        self.filter: tuple[int, int] | None = None
        self.flow: dict[str, str] = {}
        self.flow_mode = "0"
        self.ticks = 0x32
        self.adaptive = "1"

    @property
    def hears(self) -> tuple[int, int]:
        """The filter in force: identifier and mask."""
        return self.filter or DEFAULT_FILTERS[self._on]

    @property
    def _on(self) -> str:
        return self._car_number if self.number == "0" else self.number

    def since(self, command: str = "ATDPN") -> list[str]:
        """Return what was sent after `command` was last sent."""
        return self.sent[len(self.sent) - self.sent[::-1].index(command) :]

    def _answer(self, command: str) -> None:
        self.sent.append(command)
        if command in self.restart_at:
            self.restart_at.remove(command)
            self._restart()
            return self.say(b"\r\r" + BANNER + b"\r\r>", DELAY_S)
        if command.startswith("AT"):
            return self.say(said(self._configure(command[2:])), DELAY_S)
        if any(c not in "0123456789ABCDEF" for c in command):
            return self.say(said("?"), DELAY_S)
        if self.number == "0" and not self._automatic:
            return self.say(said("SEARCHING...", "UNABLE TO CONNECT"), 5.0)
        lines = self._ask(command)
        wait_s = self.ticks * 0.004
        return self.say(said(*lines), DELAY_S if lines != ["NO DATA"] else wait_s)

    def _configure(self, text: str) -> str:
        if any(text.startswith(start) for start in self.refuses):
            return "?"
        if text in ("Z", "WS", "I"):
            if text != "I":
                self._restart()
            return BANNER.decode()
        if text in ("@1", "RV", "DPN"):
            return {"@1": "FAKE", "RV": "12.4V", "DPN": f"A{self._on}"}[text]
        if any(text.startswith(start) for start in self.ignores):
            return "OK"
        return self._set(text)

    def _set(self, text: str) -> str:
        if text[:2] in ("SP", "TP"):
            self.number, self.header = text[2:], ""
            self.stored = self.number if text[:2] == "SP" else self.stored
        elif text.startswith("SH"):
            self.header = text[2:]
        elif text.startswith("CRA") and "X" in text:
            self.filter = (int(text[3:].replace("X", "0"), 16), 0x700)
        elif text.startswith("CRA"):
            self.filter = (int(text[3:], 16), 0x1FFFFFFF) if text[3:] else None
        elif text == "AR":
            self.filter = None
        elif text[:2] in ("CF", "CM") and len(text) >= 5:
            have = self.hears
            value = int.from_bytes(bytes.fromhex(text[2:].zfill(8)))
            self.filter = (value, have[1]) if text[1] == "F" else (have[0], value)
        elif text.startswith("FCSM"):
            if text[4] == "1" and not {"H", "D"} <= self.flow.keys():
                return "?"
            self.flow_mode = text[4]
        elif text.startswith("FCS"):
            self.flow[text[3]] = text[4:]
        elif text.startswith("ST"):
            self.ticks = bytes.fromhex(text[2:])[0]
        elif text.startswith("AT"):
            self.adaptive = text[2:]
        return "OK"

    def _ask(self, command: str) -> list[str]:
        if self.number != "0" and self.number != self._car_number and not self._both_widths:
            return [self._wrong_bus]
        header = self.header or DEFAULT_HEADERS[self._on]
        if len(header) == 6:
            header = f"18{header}"
        lines = [line for line in self.traffic if self._passes(line)]
        for unit in self.units:
            to_all = header == DEFAULT_HEADERS[self._on] and unit.functional
            if not (to_all or unit.request == header) or len(unit.request) != len(header):
                continue
            if unit.after_s > self.ticks * 0.004:
                continue
            said_by_it = unit.table.get(command, [])
            for payload in [said_by_it] if isinstance(said_by_it, str) else said_by_it:
                lines += [f for f in self._frames(unit, payload) if self._passes(f)]
        return lines or ["NO DATA"]

    def _passes(self, line: str) -> bool:
        value, mask = self.hears
        width = 3 if self._on in ("6", "8") else 8
        return (int(line[:width], 16) ^ value) & mask & 0x1FFFFFFF == 0

    def _frames(self, unit: Unit, payload: str) -> list[str]:
        """Return the frames of ISO 15765-2 that are printed: all with flow control, else one."""
        data = bytes.fromhex(payload)
        if len(data) <= 7:
            return [f"{unit.response}{len(data):02X}{payload}"]
        first = f"{unit.response}{0x1000 | len(data):04X}{data[:6].hex().upper()}"
        if self.flow_mode == "0":
            usual = unit.response.startswith(("7E", "18DAF1"))
        else:
            self.flow_controls.append(self.flow["H"])
            usual = self.flow["H"] == unit.request and self.flow["D"].startswith("30")
        rest = [data[at : at + 7].hex().upper() for at in range(6, len(data), 7)] if usual else []
        numbered = enumerate(rest, 1)
        return [first, *(f"{unit.response}2{n % 16:X}{part}" for n, part in numbered)]


LONG = "5902AF" + "C10000AF" * 9
KILOBYTE = "5902AF" + "4A1B2C09" * 256
ENGINE = Unit("7E0", "7E8", {"0100": "4100BE3EA813", "010C": "410C1AF8", "04": "44"}, True)
BRAKES = Unit("7B0", "7B8", {"3E00": "7E00", "1902AF": LONG, "14FFFFFF": "54"})
BODY = Unit("710", "77A", {"3E00": "7E00", "1902AF": "7F197F", "22F190": "7F2231"})
WIDE = Unit("18DA28F1", "18DAF128", {"3E00": "7E00", "1902AF": LONG})
ENGINE_29 = Unit("18DA10F1", "18DAF110", {"0100": "4100BE3EA813", "010C": "410C1AF8"}, True)
ODD_29 = Unit("1ABCDEF1", "1ABCF1DE", {"1902AF": LONG})

RPM = Request(b"\x01\x0c")


def asks(text: str, module: Unit, *, known: bool = True, wait_s: float | None = None) -> Request:
    reply_from = module.response if known else None
    return Request(bytes.fromhex(text), module.request, reply_from=reply_from, wait_s=wait_s)


def connected(*units: Unit, **character: object) -> tuple[AdapterTransport, SettableAdapter]:
    adapter = SettableAdapter(units or (ENGINE, BRAKES, BODY), **character)  # type: ignore[arg-type]
    transport = AdapterTransport(adapter)
    transport.connect()
    return transport, adapter


def payloads(transport: AdapterTransport, request: Request) -> list[tuple[str, str]]:
    return [(m.source, m.payload.hex().upper()) for m in transport.exchange(request).messages]
