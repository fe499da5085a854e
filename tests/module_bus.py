"""A bus with modules that each answer for themselves, for tests of searching and reading them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from obdlog.clock import ManualClock
from obdlog.model import FUNCTIONAL, EcuMessage, Exchange, Generation, Outcome, Request
from obdlog.transport.base import BusProtocol
from tests.fakes import CAN

ENGINE_TABLE = {
    "0100": "4100183B8011",  # speed (0D) is among what it supports
    "010C": "410C0000",
    "010D": "410D00",
    "0101": "410100076500",
    "03": "4300",
    "07": "4700",
    "0A": "4A00",
}

Answer = str | list[str] | None
Hook = Callable[[Request], None]


@dataclass
class FakeModule:
    """Answers from `response` by a table of hex text; a list is used up in turn.

    `otherwise` answers what the table does not hold: ``refuse`` with 7F xx `code`, or silence.
    `in_session` is what it answers instead while it is in the extended session.
    """

    response: str
    table: Mapping[str, Answer] = field(default_factory=dict)
    otherwise: str = "refuse"
    code: str = "11"
    in_session: Mapping[str, Answer] | None = None
    session: bool = False
    asked: list[str] = field(default_factory=list)

    def answer(self, ask: str) -> str | None:
        self.asked.append(ask)
        if self.in_session is not None and ask in ("1003", "1001"):
            self.session = ask == "1003"
            return f"50{ask[2:]}003201F4"
        table = {**self.table, **(self.in_session or {})} if self.session else self.table
        if ask in table:
            value = table[ask]
            if isinstance(value, list):
                return value[min(self.asked.count(ask), len(value)) - 1]
            return value
        if ask == "3E00" and self.otherwise == "refuse":
            return "7E00"
        return f"7F{ask[:2]}{self.code}" if self.otherwise == "refuse" else None


class ModuleBus:
    """A transport to `modules` by their request address; the engine answers requests to all."""

    kind = "table"
    url = "table://"
    identity = "test"
    generation = Generation.CLASSIC

    def __init__(
        self,
        modules: Mapping[str, FakeModule | list[FakeModule]],
        protocol: BusProtocol = CAN,
        *,
        generic: Mapping[str, str] = ENGINE_TABLE,
        engine: str = "7E8",
        hook: Hook | None = None,
        cannot: Callable[[str], str] = lambda _: "",
    ) -> None:
        self.clock = ManualClock()
        self.protocol: BusProtocol | None = protocol
        self.requests: list[Request] = []
        self.closed = False
        self._modules = {k: v if isinstance(v, list) else [v] for k, v in modules.items()}
        self._generic = dict(generic)
        self._engine = engine
        self._hook = hook
        self._cannot = cannot

    def asked_of(self, target: str) -> list[str]:
        return [r.payload.hex().upper() for r in self.requests if r.target == target]

    @property
    def targets(self) -> list[str]:
        return [r.target for r in self.requests if r.target != FUNCTIONAL]

    def connect(self) -> BusProtocol:
        assert self.protocol is not None
        return self.protocol

    def exchange(self, request: Request) -> Exchange:
        if self._hook:
            self._hook(request)
        at_s = self.clock.now_s()
        if problem := self._cannot(request.target):
            return Exchange(at_s, request, (), Outcome.NO_DATA, note=problem)
        self.requests.append(request)
        ask = request.payload.hex().upper()
        answers: list[tuple[str, str | None]]
        if request.target == FUNCTIONAL:
            answers = [(self._engine, self._generic.get(ask))]
        else:
            answers = [(m.response, m.answer(ask)) for m in self._modules.get(request.target, [])]
            if request.reply_from is not None:
                answers = [a for a in answers if a[0] == request.reply_from]
        messages = tuple(
            EcuMessage(source, bytes.fromhex(payload), 0.01)
            for source, payload in answers
            if payload is not None
        )
        # What answers another service is left out, as every road does.
        messages = tuple(
            m
            for m in messages
            if m.payload[0] == request.service + 0x40
            or m.payload[:2] == bytes([0x7F, request.service])
        )
        self.clock.sleep_s(0.01 if messages else request.wait_s or 0.2)
        if not messages:
            return Exchange(at_s, request, (), Outcome.NO_DATA)
        if any(m.payload[2:3] == b"\x78" for m in messages if m.refused):
            return Exchange(at_s, request, messages, Outcome.TIMEOUT)
        refused = all(m.refused for m in messages)
        return Exchange(at_s, request, messages, Outcome.REFUSED if refused else Outcome.ANSWERED)

    def voltage_v(self) -> float | None:
        return 12.4

    def close(self) -> None:
        self.closed = True
