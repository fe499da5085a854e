"""A CAN bus for tests that answers by a table, at python-can's boundary."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import can
import pytest

from obdlog.clock import ManualClock
from obdlog.links.url import parse_url
from obdlog.model import Exchange
from obdlog.transport.can_bus import CanTransport

ALIVE = {"7DF#020100": [(0.01, "7E8#0641001E190003")]}
"""A car whose engine module answers the first question."""

Reaction = Iterable["tuple[float, str]"]
"""(seconds after the frame, ``7E8#0341…``) of each frame that answers one."""


def frame(text: str) -> can.Message:
    """Return the frame written as ``7E8#034104FF``; ``!`` is an error frame."""
    if text == "!":
        return can.Message(is_error_frame=True)
    identifier, _, data = text.partition("#")
    return can.Message(
        arbitration_id=int(identifier, 16),
        is_extended_id=len(identifier) > 3,
        data=bytes.fromhex(data),
    )


def text_of(message: can.Message) -> str:
    digits = 8 if message.is_extended_id else 3
    return f"{message.arbitration_id:0{digits}X}#{bytes(message.data).hex().upper()}"


class FakeBus:
    """Answers frames by a table of their text (padding left out), in the time of a manual clock.

    A value that is a list of lists is used up in turn. `fails` is raised by every sending, `lost`
    by every receiving, `lost_after` once so many frames were waited for. The messages in
    `interrupt` come at once to whoever waits.
    """

    def __init__(
        self,
        clock: ManualClock,
        answers: Mapping[str, Reaction | list[Reaction]],
        *,
        always: Callable[[str], Reaction] | None = None,
        fails: Exception | None = None,
        lost: Exception | None = None,
        state: can.BusState = can.BusState.ACTIVE,
    ) -> None:
        self.sent: list[str] = []
        self.shut = 0
        self.state = state
        self.interrupt: list[can.Message] = []
        self.lost_after: tuple[int, Exception] | None = None
        self._clock, self._answers = clock, answers
        self._always, self._fails, self.lost = always, fails, lost
        self._queue: list[tuple[float, int, can.Message]] = []
        self._count = 0

    def send(self, message: can.Message, timeout: float | None = None) -> None:
        if self._fails is not None:
            raise self._fails
        text = text_of(message)
        self.sent.append(text)
        for after_s, answer in self._reaction(text):
            self._count += 1
            self._queue.append((self._clock.now_s() + after_s, self._count, frame(answer)))
        self._queue.sort(key=lambda entry: entry[:2])

    def _reaction(self, text: str) -> Reaction:
        if self._always is not None and (found := list(self._always(text))):
            return found
        for known, answers in self._answers.items():
            if text.startswith(known):
                listed = list(answers)
                if listed and isinstance(listed[0], list):
                    used = sum(sent.startswith(known) for sent in self.sent) - 1
                    return listed[min(used, len(listed) - 1)]
                return listed  # type: ignore[return-value]
        return []

    def recv(self, timeout: float | None = None) -> can.Message | None:
        if self.lost is not None:
            raise self.lost
        if self.lost_after is not None and self.sent and timeout:
            left, error = self.lost_after
            if not left:
                raise error
            self.lost_after = left - 1, error
        if self.interrupt and timeout:
            return self.interrupt.pop(0)
        until_s = self._clock.now_s() + (timeout or 0.0)
        if self._queue and self._queue[0][0] <= until_s:
            at_s, _, message = self._queue.pop(0)
            self._clock.sleep_s(max(0.0, at_s - self._clock.now_s()))
            return message
        self._clock.sleep_s(timeout or 0.0)
        return None

    def shutdown(self) -> None:
        self.shut += 1


def plug_into(
    monkeypatch: pytest.MonkeyPatch,
    answers: Mapping[str, Any],
    *,
    url: str = "can://virtual/bench",
    connect: bool = True,
    **how: Any,
) -> tuple[CanTransport, FakeBus]:
    """Return a transport on a fake bus, connected unless told otherwise, and the bus."""
    clock = ManualClock()
    bus = FakeBus(clock, {**ALIVE, **answers}, **how)
    monkeypatch.setattr(can, "Bus", lambda **_: bus)
    transport = CanTransport(parse_url(url), clock=clock)
    if connect:
        transport.connect()
        bus.sent.clear()
    return transport, bus


def payloads(exchange: Exchange) -> list[tuple[str, str]]:
    return [(m.source, m.payload.hex().upper()) for m in exchange.messages]
