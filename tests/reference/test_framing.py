"""Reassembly against an independent implementation and against published layouts.

Independent: can-isotp (a general-purpose ISO 15765-2 library) over python-can's virtual bus. A
third participant captures the frames, which are printed the way an adapter prints them.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack

import can
import isotp
import pytest

from obdlog.framing import assemble
from obdlog.model import Bus, EcuMessage

SIZES = [*range(1, 71), 117, 118, 119, 127, 255, 256, 1000, 4095]
DEADLINE_S = 20.0


class Wire:
    """ECUs and a tester on a virtual bus, and what a listener sees of it."""

    def __init__(self, channel: str, ids: list[tuple[int, int]], *, extended: bool) -> None:
        self._stack = ExitStack()
        self._listener = self._bus(channel)
        mode = (
            isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
        )
        modes = isotp.AddressingMode
        mode = modes.Normal_29bits if extended else modes.Normal_11bits
        self.testers = []
        self.ecus = []
        self._answer_ids = {answer for _, answer in ids}
        for request, answer in ids:
            near = isotp.Address(mode, txid=request, rxid=answer)
            far = isotp.Address(mode, txid=answer, rxid=request)
            self.testers.append(self._layer(channel, near))
            self.ecus.append(self._layer(channel, far))

    def _bus(self, channel: str) -> can.BusABC:
        bus = can.Bus(channel, interface="virtual")
        self._stack.callback(bus.shutdown)
        return bus

    def _layer(self, channel: str, address: isotp.Address) -> isotp.CanStack:
        params = {"tx_padding": 0x55, "stmin": 0, "blocksize": 0, "max_frame_size": 4095}
        return isotp.CanStack(self._bus(channel), address=address, params=params)

    def transfer(self, payloads: list[bytes]) -> list[can.Message]:
        """Let every ECU send its payload at once; return the ECUs' frames in bus order."""
        for ecu, payload in zip(self.ecus, payloads, strict=True):
            ecu.send(payload)
        received: dict[int, bytes] = {}
        deadline = time.monotonic() + DEADLINE_S
        while len(received) < len(payloads):
            assert time.monotonic() < deadline, "the library under comparison did not finish"
            for layer in (*self.ecus, *self.testers):
                layer.process()
            for index, tester in enumerate(self.testers):
                if tester.available():
                    received[index] = bytes(tester.recv())
        assert [received[i] for i in range(len(payloads))] == payloads
        frames = []
        while (message := self._listener.recv(timeout=0)) is not None:
            if message.arbitration_id in self._answer_ids:
                frames.append(message)
        return frames

    def close(self) -> None:
        self._stack.close()


@pytest.fixture
def wire(request: pytest.FixtureRequest) -> Iterator[Wire]:
    ids, extended = request.param
    built = Wire(request.node.name, ids, extended=extended)
    yield built
    built.close()


def printed(frames: list[can.Message], *, spaces: bool = False) -> list[str]:
    """The frames as an adapter prints them with headers on."""
    lines = []
    for frame in frames:
        head = f"{frame.arbitration_id:0{8 if frame.is_extended_id else 3}X}"
        data = bytes(frame.data)
        if spaces:
            head = bytes.fromhex(head).hex(" ").upper() if frame.is_extended_id else head
            lines.append(f"{head} {data.hex(' ').upper()} ")
        else:
            lines.append(head + data.hex().upper())
    return lines


def payload(size: int, seed: int = 1) -> bytes:
    return bytes((0x49 + seed * i * i + i) & 0xFF for i in range(size))


ONE_11 = ([(0x7E0, 0x7E8)], False)
ONE_29 = ([(0x18DA10F1, 0x18DAF110)], True)
TWO_11 = ([(0x7E0, 0x7E8), (0x7E1, 0x7E9)], False)
THREE_29 = ([(0x18DA00F1 | n << 8, 0x18DAF100 | n) for n in (0x10, 0x18, 0x28)], True)


@pytest.mark.parametrize(
    ("wire", "source"), [(ONE_11, "7E8"), (ONE_29, "18DAF110")], indirect=["wire"], ids=["11", "29"]
)
def test_one_sender_all_sizes(wire: Wire, source: str) -> None:
    for size in SIZES:
        expected = payload(size)
        frames = wire.transfer([expected])
        for spaces in (False, True):
            result = assemble(printed(frames, spaces=spaces), None)
            assert result.messages == (EcuMessage(source, expected),), size
            assert result.faults == ()


@pytest.mark.parametrize(
    ("wire", "sources"),
    [(TWO_11, ["7E8", "7E9"]), (THREE_29, ["18DAF110", "18DAF118", "18DAF128"])],
    indirect=["wire"],
    ids=["two", "three"],
)
def test_senders_at_once(wire: Wire, sources: list[str]) -> None:
    for size in (5, 20, 62, 300):
        payloads = [payload(size + 3 * i, seed=i + 1) for i in range(len(sources))]
        frames = wire.transfer(payloads)
        ids = [f.arbitration_id for f in frames]
        if size >= 20:
            assert ids != sorted(ids), "the frames do not interleave, so nothing is shown"
        result = assemble(printed(frames), None)
        assert {(m.source, m.payload) for m in result.messages} == set(
            zip(sources, payloads, strict=True)
        )
        assert result.faults == ()


@pytest.mark.parametrize("wire", [ONE_11], indirect=True, ids=["11"])
def test_every_frame_lost_in_turn(wire: Wire) -> None:
    frames = wire.transfer([payload(150)])
    for lost in range(len(frames)):
        result = assemble(printed(frames[:lost] + frames[lost + 1 :]), None)
        assert result.messages == ()
        assert result.faults


def test_frame_types_as_published() -> None:
    # ISO 15765-2: high nibble 0 single (length in the low one), 1 first (12-bit length),
    # 2 consecutive (numbers from 1), 3 flow control; from memory of the standard. A VIN reply
    # of 20 bytes (SAE J1979 service 09 type 02) takes a first and two consecutive frames.
    text = [
        "7E8 10 14 49 02 01 31 5A 5A",
        "7E0 30 00 00 00 00 00 00 00",
        "7E8 21 30 30 30 30 30 34 30",
        "7E8 22 30 30 30 30 30 30 30",
    ]
    expected = b"\x49\x02\x01" + b"1ZZ00000400000000"
    assert assemble(text, None).messages == (EcuMessage("7E8", expected),)


@pytest.mark.parametrize(
    ("line", "payload", "source", "bus"),
    [
        # ISO 14230-2: answer to start communication with key bytes EF 8F (from memory).
        ("83 F1 10 C1 EF 8F C3", "C1EF8F", "10", Bus.LEGACY),
        # SAE J1850 VPW answer to PID 00 (widely printed, from memory).
        ("48 6B 10 41 00 BE 3E B8 11 FA", "4100BE3EB811", "10", Bus.LEGACY),
        # The same message on ISO 9141-2, whose checksum is the sum: worked by hand.
        ("48 6B 10 41 00 BE 3E B8 11 C9", "4100BE3EB811", "10", Bus.LEGACY),
        # PID 00 bitmap BE1FA813: worked example of the encyclopaedia article "OBD-II PIDs".
        ("7E8 06 41 00 BE 1F A8 13", "4100BE1FA813", "7E8", Bus.CAN),
    ],
)
def test_known_lines(line: str, payload: str, source: str, bus: Bus) -> None:
    result = assemble([line], None)
    assert result.messages == (EcuMessage(source, bytes.fromhex(payload)),)
    assert result.bus is bus
