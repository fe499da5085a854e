"""Control units on python-can's virtual bus, written on can-isotp."""

from __future__ import annotations

import heapq
import itertools
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import can
import isotp

FUNCTIONAL_IDS = {0x7DF, 0x18DB33F1}
CLASSIC = "4100BE3EA813"
"""An answer to 01 00."""

Say = str | tuple[float, str]
"""What a unit says, with seconds to wait before; ``#`` in front: one frame, not a message."""

_channels = itertools.count()


@dataclass
class Unit:
    """A control unit: answers by a table of hex text, a list is said one after the other."""

    request: int
    response: int
    table: dict[str, Say | list[Say]] = field(default_factory=dict)
    functional: bool = False
    block_size: int = 0
    separation: int = 0
    padding: int | None = 0xAA
    echo: bool = False
    asked: list[str] = field(default_factory=list)

    @property
    def wide(self) -> bool:
        return self.request > 0x7FF

    def answer(self, ask: str) -> list[Say]:
        self.asked.append(ask)
        if self.echo and ask not in self.table:
            return [f"{int(ask[:2], 16) + 0x40:02X}{ask[2:]}"]
        said = self.table.get(ask, [])
        return [said] if isinstance(said, (str, tuple)) else list(said)


class _Speaker:
    """One unit's layer of ISO 15765-2."""

    def __init__(self, unit: Unit, send: Callable[[int, bytes, bool], None]) -> None:
        self.unit = unit
        self.frames: list[isotp.CanMessage] = []
        mode = (
            isotp.AddressingMode.Normal_29bits if unit.wide else isotp.AddressingMode.Normal_11bits
        )
        self.layer = isotp.TransportLayerLogic(
            lambda timeout: self.frames.pop(0) if self.frames else None,
            lambda m: send(m.arbitration_id, bytes(m.data), unit.wide),
            address=isotp.Address(mode, txid=unit.response, rxid=unit.request),
            error_handler=lambda error: None,
            params={
                "blocksize": unit.block_size,
                "stmin": unit.separation,
                "tx_padding": unit.padding,
                "max_frame_size": 0xFFFF,
                "logger_name": "far-end",
            },
        )


class FarEnd:
    """Units on a channel of their own, alive inside ``with``.

    `seen` are the frames of both ends, `arrived` those of the other end with the time they were
    sent [s, system time].
    """

    def __init__(
        self, *units: Unit, interface: str = "virtual", channel: str = "", **options: Any
    ) -> None:
        self.units = units
        self.interface, self.channel = interface, channel or f"far-{next(_channels)}"
        self.url = f"can://{self.interface}/{self.channel}"
        self.seen: list[tuple[float, int, bytes]] = []
        self.arrived: list[tuple[float, int, bytes]] = []
        self._bus = can.Bus(
            interface=interface, channel=self.channel, ignore_config=True, **options
        )
        self._speakers = [_Speaker(unit, self._send) for unit in units]
        self._due: list[tuple[float, int, _Speaker, str]] = []
        self._count = itertools.count()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)

    def __enter__(self) -> FarEnd:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._bus.shutdown()
        assert not self._thread.is_alive()

    def sent_by_tester(self) -> list[tuple[int, bytes]]:
        """Return identifier and data of the frames that came from the other end."""
        return [(identifier, data) for _, identifier, data in list(self.arrived)]

    def say(self, identifier: int, data: bytes, *, wide: bool = False) -> None:
        """Put one frame on the bus."""
        self._send(identifier, data, wide)

    def _send(self, identifier: int, data: bytes, wide: bool) -> None:
        self.seen.append((time.monotonic(), identifier, data))
        self._bus.send(can.Message(arbitration_id=identifier, data=data, is_extended_id=wide))

    def _live(self) -> None:
        while not self._stop.is_set():
            busy = any(s.layer.is_tx_transmitting_cf() for s in self._speakers)
            wait_s = 0.0005 if busy else 0.02
            if self._due:
                wait_s = min(wait_s, max(0.0, self._due[0][0] - time.monotonic()))
            try:
                message = self._bus.recv(wait_s)
            except can.CanError:  # a packet that holds no frame
                continue
            if message is not None:
                self._take(message)
            while self._due and self._due[0][0] <= time.monotonic():
                _, _, speaker, text = heapq.heappop(self._due)
                if text.startswith("#"):
                    unit = speaker.unit
                    self._send(unit.response, bytes.fromhex(text[1:]), unit.wide)
                else:
                    speaker.layer.send(bytes.fromhex(text))
            for speaker in self._speakers:
                speaker.layer.process()
                while (asked := speaker.layer.recv()) is not None:
                    self._answer(speaker, bytes(asked))

    def _take(self, message: can.Message) -> None:
        data = bytes(message.data)
        self.seen.append((time.monotonic(), message.arbitration_id, data))
        if message.arbitration_id not in {unit.response for unit in self.units}:
            self.arrived.append((message.timestamp, message.arbitration_id, data))
        for speaker in self._speakers:
            unit = speaker.unit
            if message.is_extended_id != unit.wide:
                continue
            if message.arbitration_id in FUNCTIONAL_IDS and unit.functional:
                self._answer(speaker, data[1 : 1 + data[0]])
            elif message.arbitration_id == unit.request:
                speaker.frames.append(
                    isotp.CanMessage(
                        arbitration_id=message.arbitration_id, data=data, extended_id=unit.wide
                    )
                )
                speaker.layer.process()

    def _answer(self, speaker: _Speaker, asked: bytes) -> None:
        at_s = time.monotonic()
        for say in speaker.unit.answer(asked.hex().upper()):
            after_s, text = (0.0, say) if isinstance(say, str) else say
            at_s += after_s
            heapq.heappush(self._due, (at_s, next(self._count), speaker, text))
