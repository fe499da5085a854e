"""The simulated car's units on a CAN bus: who answers what, and when nobody does.

Identifiers by ISO 15765-4 [ISO-15765-4].
"""

from __future__ import annotations

from typing import Any

import pytest

from obdlog.clock import ManualClock
from obdlog.simulator.can_node import CanFrame, CanManners, CanNode
from obdlog.simulator.car import SimulatedCar


class Bus:
    """A bus with one car and a tester that gives flow control, in simulated time."""

    def __init__(self, scenario: str = "airbox-repair", **manners: Any) -> None:
        self.clock = ManualClock()
        self.car = SimulatedCar(scenario, clock=self.clock)
        self.node = CanNode(self.car, CanManners(**manners))
        self.flow: str | None = "300000"

    def put(self, identifier: int, data: str, bits: int = 11) -> None:
        frame = CanFrame(identifier, bits, bytes.fromhex(data))
        self.node.receive(frame, self.clock.now_s())

    def heard(self, for_s: float = 2.0) -> list[tuple[str, str]]:
        """Return (identifier, data) of all frames of the next seconds, in order."""
        end = self.clock.now_s() + for_s
        found = []
        while (due := self.node.next_due_s()) is not None and due < end:
            self.clock.sleep_s(due - self.clock.now_s())
            for frame in self.node.due(self.clock.now_s()):
                width = 3 if frame.id_bits == 11 else 8
                found.append((f"{frame.identifier:0{width}X}", frame.data.hex()))
                if frame.data[0] >> 4 == 1 and self.flow is not None:
                    self.put(self._request_of(frame), self.flow, frame.id_bits)
        self.clock.sleep_s(end - self.clock.now_s())
        return found

    @staticmethod
    def _request_of(frame: CanFrame) -> int:
        if frame.id_bits == 29:
            return 0x18DA00F1 | (frame.identifier & 0xFF) << 8
        return frame.identifier - 8


def test_everyone_answers_a_request_to_all() -> None:
    bus = Bus()
    bus.put(0x7DF, "0201000000000000")
    assert [who for who, _ in bus.heard()] == ["7E8", "7E9"]


def test_one_answers_a_request_to_one() -> None:
    bus = Bus()
    bus.put(0x7E1, "0201000000000000")
    assert [who for who, _ in bus.heard()] == ["7E9"]


def test_long_answers_of_two_units_interleave() -> None:
    bus = Bus("diesel-29bit")
    bus.flow = "300005"
    bus.put(0x18DB33F1, "0209040000000000", 29)
    who = [source for source, _ in bus.heard()]
    assert set(who) == {"18DAF110", "18DAF118"}
    assert who != sorted(who)


def test_a_request_to_all_of_the_other_width_is_not_heard() -> None:
    bus = Bus()
    bus.put(0x18DB33F1, "0201000000000000", 29)
    bus.put(0x7E0, "0201000000000000", 29)
    assert bus.heard() == []


def test_without_flow_control_only_the_first_frame_comes() -> None:
    bus = Bus()
    bus.flow = None
    bus.put(0x7E0, "0209020000000000")
    assert [data[:4] for _, data in bus.heard()] == ["1014"]


@pytest.mark.parametrize("identifier", [0x7DF, 0x7E1, 0x7E8])
def test_flow_control_goes_to_the_unit_itself(identifier: int) -> None:
    bus = Bus()
    bus.flow = None
    bus.put(0x7E0, "0209020000000000")
    assert len(bus.heard(0.1)) == 1
    bus.put(identifier, "3000000000000000")
    assert [data for who, data in bus.heard() if who == "7E8"] == []


def test_the_same_as_over_the_adapter_is_said() -> None:
    bus = Bus()
    bus.put(0x7E0, "0209020000000000")
    raw = [bytes.fromhex(data) for _, data in bus.heard()]
    whole = raw[0][2:] + b"".join(frame[1:] for frame in raw[1:])
    (answer,) = bus.car.answers(b"\x09\x02", 0x7E0, bus.clock.now_s())
    assert whole[:20] == answer.payload


@pytest.mark.parametrize(
    ("padding", "data"), [(0x00, "024400"), (0xAA, "0144aaaaaaaaaaaa"), (None, "0144")]
)
def test_padding(padding: int | None, data: str) -> None:
    bus = Bus(padding=padding)
    bus.put(0x7E0, "0104000000000000")
    ((_, said),) = bus.heard(1.0)
    assert said == (data if padding != 0 else "0144000000000000")


def test_a_long_request_gets_the_flow_control_that_was_set() -> None:
    bus = Bus(block_size=1, separation=0x0A)
    bus.put(0x7B0, "100922f190f187f1")
    assert bus.heard(0.01) == [("7B8", "30010a0000000000")]
    bus.put(0x7B0, "2188f19100000000")
    (first, *_) = bus.heard()
    assert first[0] == "7B8"
    assert bytes.fromhex(first[1])[2] == 0x62


def test_a_long_request_to_all_is_nobodys() -> None:
    bus = Bus()
    bus.put(0x7DF, "100922f190f187f1")
    assert bus.heard() == []


def test_modules_beyond_the_legislated_ones_answer_alone() -> None:
    bus = Bus()
    bus.put(0x7B0, "023e000000000000")
    assert bus.heard() == [("7B8", "027e000000000000")]


def test_with_the_key_off_there_is_silence() -> None:
    bus = Bus(traffic_s=0.01)
    bus.put(0x7E0, "0209020000000000")
    bus.car.key("off")
    assert bus.heard() == []
    bus.put(0x7DF, "0201000000000000")
    assert bus.heard() == []
    bus.car.key("on")
    bus.put(0x7DF, "0201000000000000")
    assert {"7E8", "7E9"} <= {who for who, _ in bus.heard()}


def test_other_traffic_is_no_diagnostics() -> None:
    bus = Bus(traffic_s=0.01)
    frames = bus.heard(1.0)
    assert 90 <= len(frames) <= 101
    assert all(int(who, 16) < 0x700 for who, _ in frames)


@pytest.mark.parametrize("data", ["", "00", "ff", "3000", "1fffffffffffffff", "0f01020304050607"])
def test_nonsense_gets_no_answer(data: str) -> None:
    bus = Bus()
    for identifier in (0x7DF, 0x7E0, 0x123):
        bus.put(identifier, data)
    assert all(said[:2] == "32" for _, said in bus.heard())


def test_a_flood_of_requests_is_bounded() -> None:
    bus = Bus()
    for _ in range(5000):
        bus.put(0x7E0, "0209020000000000")
    bus.flow = None
    assert len(bus.heard(500.0)) <= 64
