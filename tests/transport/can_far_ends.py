"""Far ends of a CAN bus for tests: a fake at python-can's boundary, and one on can-isotp."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping

import can
import isotp

from obdlog.clock import ManualClock

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

    A value that is a list of lists is used up in turn. `fails` raises on the n-th sending.
    """

    def __init__(
        self,
        clock: ManualClock,
        answers: Mapping[str, Reaction | list[Reaction]],
        *,
        always: Callable[[str], Reaction] | None = None,
        fails: Exception | None = None,
        lost: Exception | None = None,
    ) -> None:
        self.sent: list[str] = []
        self.shut = 0
        self.state = can.BusState.ACTIVE
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
        until_s = self._clock.now_s() + (timeout or 0.0)
        if self._queue and self._queue[0][0] <= until_s:
            at_s, _, message = self._queue.pop(0)
            self._clock.sleep_s(max(0.0, at_s - self._clock.now_s()))
            return message
        self._clock.sleep_s(timeout or 0.0)
        return None

    def shutdown(self) -> None:
        self.shut += 1


class IsoTpCar:
    """Modules on a python-can bus, each a can-isotp stack in one thread of its own.

    `modules` maps (request, response) identifiers to answers by request in hex; ``echo`` returns
    the request with its service raised by 40. Functional requests reach those in 7E0–7E7.
    """

    def __init__(
        self,
        channel: str,
        modules: Mapping[tuple[int, int], Mapping[str, str]],
        *,
        interface: str = "virtual",
        block_size: int = 0,
        separation: int = 0,
    ) -> None:
        self._bus = can.Bus(channel=channel, interface=interface)
        self._stop = threading.Event()
        self._stacks = []
        for (request, response), table in modules.items():
            queue: list[isotp.CanMessage] = []
            wide = request > 0x7FF
            mode = (
                isotp.AddressingMode.Normal_29bits if wide else isotp.AddressingMode.Normal_11bits
            )
            logic = isotp.TransportLayerLogic(
                lambda _=0.0, queue=queue: queue.pop(0) if queue else None,
                self._write,
                address=isotp.Address(mode, txid=response, rxid=request),
                params={"blocksize": block_size, "stmin": separation, "tx_padding": 0xAA},
            )
            self._stacks.append((request, table, logic, queue))
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> IsoTpCar:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._bus.shutdown()

    def _write(self, message: isotp.CanMessage) -> None:
        self._bus.send(
            can.Message(
                arbitration_id=message.arbitration_id,
                data=message.data,
                is_extended_id=message.is_extended_id,
            )
        )

    def _run(self) -> None:
        while not self._stop.is_set():
            message = self._bus.recv(0.001)
            for request, table, logic, queue in self._stacks:
                if message is not None:
                    self._hear(message, request, table, logic, queue)
                logic.process()
                payload = logic.recv()
                if payload is not None:
                    self._answer(logic, table, bytes(payload))

    def _hear(self, message, request, table, logic, queue) -> None:
        functional = 0x18DB33F1 if request > 0x7FF else 0x7DF
        if message.arbitration_id == functional:
            length = message.data[0]
            self._answer(logic, table, bytes(message.data[1 : 1 + length]))
        elif message.arbitration_id == request:
            queue.append(
                isotp.CanMessage(
                    arbitration_id=message.arbitration_id,
                    data=message.data,
                    extended_id=message.is_extended_id,
                )
            )

    @staticmethod
    def _answer(logic, table, payload: bytes) -> None:
        if "echo" in table and payload[:1] == b"\x22":
            logic.send(bytes([payload[0] + 0x40]) + payload[1:])
        elif answer := table.get(payload.hex().upper()):
            logic.send(bytes.fromhex(answer))
