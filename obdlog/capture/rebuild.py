"""The frames that carry given messages, rebuilt: segmented, padded, with flow control and times.

References
----------
ISO 15765-2 (segmentation, flow control), ISO 15765-4 (identifiers, frames of eight bytes). The
values of padding bytes and the spacing of frames are ours.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from obdlog.adapter.protocols import request_address, response_address
from obdlog.model import FUNCTIONAL, EcuMessage, Exchange
from obdlog.transport.base import BusProtocol

FRAME_BYTES = 8
PADDING = b"\0"
MOST_MESSAGE_BYTES = 0xFFF
SPACING_S = 0.001
"""Between the frames of one message, where there is that much time."""
APART_S = 0.0011
"""Between messages of one identifier that would overlap: more than passes for an echo."""

_MOST_TAKEN = 64

_SINGLE_BYTES = 7
_FIRST_BYTES = 6
_CONTINUE = bytes([0x30, 0, 0])
"""Flow control: continue, no further stop, no pause."""


class _Taken(NamedTuple):
    """When an identifier carries a message [s], and its frame where it is a single one."""

    begin_s: float
    end_s: float
    single: bytes | None


class RebuiltFrame(NamedTuple):
    """A frame at `at_s` [s]; `sent` by the tester."""

    at_s: float
    order: int
    address: str
    data: bytes
    sent: bool


@dataclass
class Rebuilder:
    """Turns exchanges to frames; counts what cannot be.

    Attributes
    ----------
    left_out
        Messages without a CAN address, or longer than can be segmented.
    unseen
        Requests that were inferred when the session was imported: no frame is made up for them.
    """

    protocol: BusProtocol
    unseen_note: str = ""
    left_out: int = 0
    unseen: int = 0
    frames: int = 0
    _order: int = field(default=0)
    _taken: dict[str, list[_Taken]] = field(default_factory=dict)
    _until_s: dict[tuple[str, bytes], float] = field(default_factory=dict)
    """When the last exchange of each target and request ended [s]."""
    _now_s: float = field(default=0.0)
    """No later message begins before this [s]."""

    def frames_of(self, exchanges: Iterable[Exchange]) -> Iterator[RebuiltFrame]:
        """Yield the frames of `exchanges` in the order of their times.

        A message waits until its identifier is free: those of two channels may overlap.
        """
        waiting: list[RebuiltFrame] = []
        for exchange in sorted(exchanges, key=lambda e: e.at_s):
            while waiting and waiting[0].at_s < exchange.at_s:
                yield self._counted(heapq.heappop(waiting))
            for frame in self._exchange(exchange):
                heapq.heappush(waiting, frame)
        while waiting:
            yield self._counted(heapq.heappop(waiting))

    def _counted(self, frame: RebuiltFrame) -> RebuiltFrame:
        self.frames += 1
        return frame

    def _exchange(self, exchange: Exchange) -> list[RebuiltFrame]:
        request = exchange.request
        self._now_s = exchange.at_s
        key = request.target, request.payload
        if key in self._until_s:  # the same question on another channel waits for its answer
            at_s = max(exchange.at_s, self._until_s[key] + APART_S)
            exchange = replace(exchange, at_s=at_s)
        began_s = asked_s = exchange.at_s
        frames: list[RebuiltFrame] = []
        if self.unseen_note and exchange.note.startswith(self.unseen_note):
            self.unseen += 1
        else:
            first_s = min((m.after_s for m in exchange.messages), default=SPACING_S * FRAME_BYTES)
            frames = self._request(exchange, first_s)
            began_s = min((f.at_s for f in frames), default=began_s)
            asked_s = max((f.at_s for f in frames), default=asked_s)
        for message in sorted(exchange.messages, key=lambda m: m.after_s):
            frames += self._answer(message, request.target, asked_s, began_s)
        self._until_s[key] = max((f.at_s for f in frames), default=began_s)
        return frames

    def _request(self, exchange: Exchange, room_s: float) -> list[RebuiltFrame]:
        """Return the frames of the request, the first at its time, all before the answer."""
        target, payload = exchange.request.target, exchange.request.payload
        address = self._functional() if target == FUNCTIONAL else target
        if not is_can(address) or len(payload) > MOST_MESSAGE_BYTES:
            self.left_out += 1
            return []
        parts = segment(payload)
        if len(parts) > 1 and target == FUNCTIONAL:
            self.left_out += 1  # ISO 15765-2: a request to all is a single frame
            return []
        control = self._from(target) if len(parts) > 1 else None
        step_s = min(SPACING_S, room_s / (len(parts) + 2))
        frames = [self._frame(exchange.at_s, address, parts[0], sent=True)]
        if control is not None:
            frames.append(self._frame(exchange.at_s + step_s, control, _CONTINUE, sent=False))
        frames += [
            self._frame(exchange.at_s + place * step_s, address, part, sent=True)
            for place, part in enumerate(parts[1:], 2)
        ]
        return self._settled(frames)

    def _answer(
        self, message: EcuMessage, target: str, asked_s: float, began_s: float
    ) -> list[RebuiltFrame]:
        """Return the frames of an answer, the last when it was whole."""
        source, payload = message.source, message.payload
        if not is_can(source) or not 0 < len(payload) <= MOST_MESSAGE_BYTES:
            self.left_out += 1
            return []
        arrived_s = began_s + message.after_s
        parts = segment(payload)
        if len(parts) == 1:
            single = self._frame(arrived_s, source, parts[0], sent=False)
            return self._settled([single])
        control = request_address(self.protocol, source) if target == FUNCTIONAL else target
        step_s = min(SPACING_S, max(0.0, arrived_s - asked_s) / (len(parts) + 1))
        first_s = arrived_s - len(parts) * step_s
        frames = [self._frame(first_s, source, parts[0], sent=False)]
        if control is not None:
            frames.append(self._frame(first_s + step_s, control, _CONTINUE, sent=True))
        frames += [
            self._frame(arrived_s - (len(parts) - place) * step_s, source, part, sent=False)
            for place, part in enumerate(parts[1:], 2)
        ]
        return self._settled(frames)

    def _settled(self, frames: list[RebuiltFrame]) -> list[RebuiltFrame]:
        """Return the frames of one message, later where others of its identifier would mix in."""
        address = frames[0].address
        begin_s, end_s = frames[0].at_s, frames[-1].at_s
        single = frames[0].data if len(frames) == 1 else None
        taken = [t for t in self._taken.get(address, ()) if t.end_s + APART_S >= self._now_s]
        if len(taken) > _MOST_TAKEN:
            taken = [_Taken(taken[0].begin_s, max(t.end_s for t in taken), None)]
        later_s = 0.0
        for held in taken:
            margin_s = APART_S if single is not None and single == held.single else 0.0
            ends_before = end_s + later_s < held.begin_s - margin_s
            begins_after = begin_s + later_s > held.end_s + margin_s
            if not (ends_before or begins_after):
                later_s = held.end_s + APART_S - begin_s
        taken.append(_Taken(begin_s + later_s, end_s + later_s, single))
        self._taken[address] = sorted(taken, key=lambda t: t.begin_s)
        return [f._replace(at_s=f.at_s + later_s) for f in frames] if later_s else frames

    def _functional(self) -> str:
        return "7DF" if self.protocol.id_bits == 11 else "18DB33F1"

    def _from(self, target: str) -> str | None:
        try:
            return response_address(self.protocol, target)
        except ValueError:
            return None

    def _frame(self, at_s: float, address: str, data: bytes, *, sent: bool) -> RebuiltFrame:
        self._order += 1
        return RebuiltFrame(
            max(0.0, at_s), self._order, address, data.ljust(FRAME_BYTES, PADDING), sent
        )


def segment(payload: bytes) -> Sequence[bytes]:
    """Return the frames of a message before padding: one single, or a first and consecutive ones.

    Raises
    ------
    ValueError
        The message is empty, or longer than a length of twelve bits can say.
    """
    if not 0 < len(payload) <= MOST_MESSAGE_BYTES:
        raise ValueError(f"a message of {len(payload)} bytes has no frames")
    if len(payload) <= _SINGLE_BYTES:
        return [bytes([len(payload)]) + payload]
    frames = [(0x1000 | len(payload)).to_bytes(2) + payload[:_FIRST_BYTES]]
    rest = payload[_FIRST_BYTES:]
    for number, at in enumerate(range(0, len(rest), _SINGLE_BYTES), 1):
        frames.append(bytes([0x20 | number & 0x0F]) + rest[at : at + _SINGLE_BYTES])
    return frames


def is_can(address: str) -> bool:
    """Return whether `address` is a CAN identifier: three hexadecimal digits, or eight."""
    try:
        value = int(address, 16)
    except ValueError:
        return False
    return (len(address) == 3 and value <= 0x7FF) or (len(address) == 8 and value <= 0x1FFF_FFFF)
