"""The simulated car on a CAN bus: frames in, frames out at times.

Like the simulated adapter it has no clock of its own: it is told when frames arrive and says when
its own are due.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import inf

from obdlog.simulator.answers import Address
from obdlog.simulator.buses import FUNCTIONAL_11, FUNCTIONAL_29
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.segments import FLOW, Receiving, Sending

_FUNCTIONAL = {11: FUNCTIONAL_11, 29: FUNCTIONAL_29}
_MOST_QUEUED = 64
_BODY_IDS = (0x120, 0x1A4, 0x2E0, 0x3B1, 0x4C6, 0x5D2)
"""Invented: what other units tell each other; none of it is diagnostics."""


@dataclass(frozen=True, slots=True)
class CanFrame:
    """One classic data frame; `id_bits` is the width of its identifier."""

    identifier: int
    id_bits: int
    data: bytes


@dataclass(frozen=True, slots=True)
class CanManners:
    """How the car behaves on its bus.

    `padding` fills frames to eight bytes, None leaves them short. `block_size` and `separation`
    (coded as STmin) stand in the flow control that its units give for long requests. Other
    traffic comes every `traffic_s` [s], 0 for none.
    """

    padding: int | None = 0x00
    block_size: int = 0
    separation: int = 0
    largest_request: int = 255
    traffic_s: float = 0.0


class _Lane:
    """What one unit has to say, one message after the other."""

    def __init__(self, address: Address) -> None:
        self.address = address
        self.queue: deque[Sending] = deque()

    @property
    def due_s(self) -> float:
        return self.queue[0].due_s if self.queue else inf

    @property
    def wake_s(self) -> float:
        return min(self.due_s, self.queue[0].deadline_s) if self.queue else inf

    def tidy(self, now_s: float) -> None:
        if self.queue:
            self.queue[0].expire(now_s)
        while self.queue and self.queue[0].done:
            self.queue.popleft()


class CanNode:
    """All control units of `car`, on one bus."""

    def __init__(self, car: SimulatedCar, manners: CanManners | None = None) -> None:
        self._car = car
        self._manners = manners if manners is not None else CanManners()
        # Two modules may share an identifier by mistake, so a lane belongs to a unit and not to
        # an identifier; each unit has its own address object.
        addresses = [unit.address for unit in car.ecus] + [unit.address for unit in car.modules]
        self._lanes = {id(address): _Lane(address) for address in addresses}
        self._receiving: dict[tuple[int, int], Receiving] = {}
        for lane in self._lanes.values():
            key = (lane.address.id_bits, lane.address.request)
            self._receiving[key] = Receiving(
                block_size=self._manners.block_size,
                separation=self._manners.separation,
                largest=self._manners.largest_request,
            )
        self._functional = {bits: Receiving() for bits in _FUNCTIONAL}
        self._flows: deque[tuple[float, CanFrame]] = deque()
        self._traffic_due_s = car.clock.now_s() if self._manners.traffic_s > 0 else inf
        self._traffic_count = 0

    def receive(self, frame: CanFrame, now_s: float) -> None:
        """Take a frame that arrived at `now_s` of the car's clock."""
        self._car.advance(now_s)
        if not self._car.awake or not frame.data:
            self._fall_silent()
            return
        if frame.identifier == _FUNCTIONAL.get(frame.id_bits):
            # Requests to all fit one frame; a first frame to all would be answered by everybody.
            if frame.data[0] >> 4 == 0:
                request = self._functional[frame.id_bits].feed(frame.data, now_s)
                self._answer(request, None, frame.id_bits, now_s)
            return
        receiving = self._receiving.get((frame.id_bits, frame.identifier))
        if receiving is None:
            return
        lanes = self._lanes_at(frame)
        if frame.data[0] >> 4 == FLOW:
            for lane in lanes:
                if lane.queue:
                    lane.queue[0].flow_control(frame.data, now_s)
                    lane.tidy(now_s)
            return
        request = receiving.feed(frame.data, now_s)
        if receiving.flow is not None:
            for lane in lanes:
                self._flows.append((now_s, self._frame(lane.address, receiving.flow)))
        self._answer(request, frame.identifier, frame.id_bits, now_s)

    def _lanes_at(self, frame: CanFrame) -> list[_Lane]:
        return [
            lane
            for lane in self._lanes.values()
            if (lane.address.id_bits, lane.address.request) == (frame.id_bits, frame.identifier)
        ]

    def _answer(self, request: bytes | None, target: int | None, bits: int, now_s: float) -> None:
        if not request:
            return
        for answer in self._car.answers(request, target, now_s, id_bits=bits):
            queue = self._lanes[id(answer.source)].queue
            if len(queue) < _MOST_QUEUED:
                queue.append(Sending(answer.payload, now_s + answer.after_s))

    def _fall_silent(self) -> None:
        self._flows.clear()
        for lane in self._lanes.values():
            lane.queue.clear()
        if self._manners.traffic_s > 0:
            self._traffic_due_s = self._car.clock.now_s() + self._manners.traffic_s

    def next_due_s(self) -> float | None:
        """Return when there is something to do next, None when there is nothing."""
        moments = [lane.wake_s for lane in self._lanes.values()]
        moments += [self._traffic_due_s, *(at for at, _ in self._flows)]
        soonest = min(moments)
        return None if soonest == inf else soonest

    def due(self, now_s: float) -> list[CanFrame]:
        """Return the frames whose time has come, at most one of each unit."""
        self._car.advance(now_s)
        if not self._car.awake:
            self._fall_silent()
            return []
        found = [frame for _, frame in self._flows]
        self._flows.clear()
        for lane in self._lanes.values():
            lane.tidy(now_s)
            if lane.due_s <= now_s:
                found.append(self._frame(lane.address, lane.queue[0].frame(now_s)))
                lane.tidy(now_s)
        if self._traffic_due_s <= now_s:
            found.append(self._traffic(now_s))
        # On a bus the lower identifier goes first.
        return sorted(found, key=lambda frame: frame.identifier)

    def _traffic(self, now_s: float) -> CanFrame:
        self._traffic_due_s = now_s + self._manners.traffic_s
        count = self._traffic_count = self._traffic_count + 1
        body = bytes(
            [count & 0xFF, 0x10 | count & 0x0F, 0x00, int(self._car.state.rpm) >> 4 & 0xFF]
        )
        return CanFrame(_BODY_IDS[count % len(_BODY_IDS)], 11, body.ljust(8, b"\x5a"))

    def _frame(self, address: Address, data: bytes) -> CanFrame:
        padding = self._manners.padding
        if padding is not None:
            data = data.ljust(8, bytes([padding]))
        return CanFrame(address.response, address.id_bits, data)
