"""A transport whose answers are a table, for tests of everything above the transport."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from obdlog.clock import ManualClock
from obdlog.errors import LinkClosedError
from obdlog.model import Bus, EcuMessage, Exchange, Generation, Outcome, Request
from obdlog.transport.base import BusProtocol

CAN = BusProtocol("6", "ISO 15765-4, 11 bit, 500 kbit/s", Bus.CAN, 11, 500_000)
KWP = BusProtocol("5", "ISO 14230-4, fast", Bus.LEGACY, 0, 10_400)

Answer = list[tuple[str, str]]
"""(source, payload in hex) of each message."""


class TableTransport:
    """Answers requests from a table of hex text; a list of answers is used up in turn."""

    kind = "table"
    url = "table://"
    identity = "test"

    def __init__(
        self,
        answers: Mapping[str, Answer | list[Answer]],
        protocol: BusProtocol = CAN,
        *,
        took_s: float = 0.01,
        lost_after: int | None = None,
        generation: Generation = Generation.CLASSIC,
    ) -> None:
        self.clock = ManualClock()
        self.protocol: BusProtocol | None = protocol
        self.generation = generation
        self.asked: list[str] = []
        self.closed = False
        self._answers = dict(answers)
        self._took_s = took_s
        self._lost_after = lost_after
        self._used: dict[str, int] = {}

    def connect(self) -> BusProtocol:
        assert self.protocol is not None
        return self.protocol

    def exchange(self, request: Request) -> Exchange:
        if self._lost_after is not None and len(self.asked) >= self._lost_after:
            raise LinkClosedError("the link is gone")
        ask = request.payload.hex().upper()
        self.asked.append(ask)
        at_s = self.clock.now_s()
        self.clock.sleep_s(self._took_s)
        messages = tuple(
            EcuMessage(source, bytes.fromhex(payload), self._took_s)
            for source, payload in self._next(ask)
        )
        if not messages:
            return Exchange(at_s, request, (), Outcome.NO_DATA)
        refused = all(m.refused for m in messages)
        return Exchange(at_s, request, messages, Outcome.REFUSED if refused else Outcome.ANSWERED)

    def _next(self, ask: str) -> Iterable[tuple[str, str]]:
        answer = self._answers.get(ask, [])
        if answer and isinstance(answer[0], list):
            turn = self._used.get(ask, 0)
            self._used[ask] = turn + 1
            return answer[min(turn, len(answer) - 1)]  # type: ignore[return-value]
        return answer  # type: ignore[return-value]

    def voltage_v(self) -> float | None:
        return 12.4

    def close(self) -> None:
        self.closed = True
