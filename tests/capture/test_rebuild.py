"""Frames rebuilt from messages, with can-isotp and Scapy as second opinions of the segmentation."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from itertools import pairwise

import isotp
import pytest
from scapy.contrib.isotp import ISOTP

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.capture.pairing import INFERRED
from obdlog.capture.rebuild import Rebuilder, is_can, segment
from obdlog.model import EcuMessage, Exchange, Request

CAN_11, CAN_29 = PROTOCOLS["6"], PROTOCOLS["7"]
LENGTHS = [1, 2, 6, 7, 8, 12, 13, 14, 20, 62, 112, 113, 255, 256, 4094, 4095]


def payload(length: int) -> bytes:
    return bytes((7 * n + length) % 256 for n in range(length))


@pytest.mark.parametrize("length", LENGTHS)
def test_frames_are_those_of_scapy(length) -> None:
    """Scapy 2.8.0, contrib/isotp: ``ISOTP.fragment``."""
    theirs = [bytes(frame.data) for frame in ISOTP(payload(length), rx_id=0x7E8).fragment()]
    assert list(segment(payload(length))) == theirs


@pytest.mark.parametrize("length", LENGTHS)
def test_can_isotp_puts_the_frames_together_again(length) -> None:
    """can-isotp 2, `TransportLayerLogic`: the receiver of the other side."""
    exchange = Exchange(1.0, Request(b"\x09\x02"), (EcuMessage("7E8", payload(length), 5.0),))
    frames = list(Rebuilder(CAN_11).frames_of([exchange]))
    assert {len(f.data) for f in frames} == {8}
    received, sent = by_can_isotp(f.data for f in frames if f.address == "7E8")
    assert received == [payload(length)]
    assert [f.data for f in frames if f.address == "7E0"] == sent


def by_can_isotp(frames: Iterable[bytes]) -> tuple[list[bytes], list[bytes]]:
    """Return what can-isotp receives of the frames of 7E8, and its flow control."""
    answers = deque(frames)
    sent: list[isotp.CanMessage] = []

    def receive(timeout: float) -> isotp.CanMessage | None:
        if not answers:
            return None
        return isotp.CanMessage(arbitration_id=0x7E8, data=answers.popleft(), dlc=8)

    layer = isotp.TransportLayerLogic(
        receive,
        sent.append,
        isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E8, txid=0x7E0),
        params={"tx_padding": 0, "blocksize": 0, "stmin": 0},
    )
    while answers:
        layer.process()
    received = list(iter(layer.recv, None))
    return [bytes(message) for message in received], [bytes(m.data) for m in sent]


@pytest.mark.parametrize("length", [0, 4096])
def test_what_no_frames_can_carry_is_refused(length) -> None:
    with pytest.raises(ValueError, match="no frames"):
        segment(bytes(length))


@pytest.mark.parametrize(
    ("protocol", "target", "source", "addresses"),
    [
        (CAN_11, "functional", "7E8", ["7DF", "7E8", "7E0", "7E8", "7E8"]),
        (CAN_11, "7E1", "7E9", ["7E1", "7E9", "7E1", "7E9", "7E9"]),
        (CAN_11, "7B0", "7B8", ["7B0", "7B8", "7B0", "7B8", "7B8"]),
        (CAN_11, "functional", "7B8", ["7DF", "7B8", "7B8", "7B8"]),
        (CAN_29, "functional", "18DAF110", ["18DB33F1", *["18DAF110", "18DA10F1", "18DAF110"]]),
        (CAN_29, "18DA28F1", "18DAF128", ["18DA28F1", "18DAF128", "18DA28F1", "18DAF128"]),
    ],
)
def test_identifiers_and_flow_control(protocol, target, source, addresses) -> None:
    """ISO 15765-4; to whom flow control goes is not known of a module beyond the standard."""
    exchange = Exchange(0, Request(b"\x09\x02", target), (EcuMessage(source, payload(20), 0.1),))
    frames = list(Rebuilder(protocol).frames_of([exchange]))
    assert [f.address for f in frames][: len(addresses)] == addresses
    assert [f.sent for f in frames] == [f.address != source for f in frames]


def test_a_long_request_waits_for_the_flow_control_of_its_module() -> None:
    request = Request(bytes.fromhex("22F190F187F195F18C"), "7E0")
    exchange = Exchange(2.0, request, (EcuMessage("7E8", payload(30), 0.5),))
    frames = list(Rebuilder(CAN_11).frames_of([exchange]))
    kinds = [(f.address, f.data[0] >> 4) for f in frames]
    assert kinds[:3] == [("7E0", 1), ("7E8", 3), ("7E0", 2)]
    assert kinds[3:] == [("7E8", 1), ("7E0", 3), *[("7E8", 2)] * 4]
    assert frames[0].at_s == 2.0
    assert frames[-1].at_s == 2.5
    times = [f.at_s for f in frames]
    assert times == sorted(times)


@pytest.mark.parametrize("after_s", [0.0, 1e-6, 1e-4, 0.02, 3.0])
def test_an_answer_ends_when_it_arrived_and_begins_after_the_request(after_s) -> None:
    exchange = Exchange(1.0, Request(b"\x09\x02"), (EcuMessage("7E8", payload(100), after_s),))
    frames = list(Rebuilder(CAN_11).frames_of([exchange]))
    times = [f.at_s for f in frames]
    assert times == sorted(times)
    assert times[0] == 1.0
    assert frames[0].address == "7DF"
    assert frames[-1].at_s == pytest.approx(1.0 + after_s, abs=1e-9)


def test_exchanges_that_overlap_keep_their_order_in_time() -> None:
    exchanges = [
        Exchange(0.010, Request(b"\x01\x0d"), (EcuMessage("7E8", b"\x41\x0d\x20", 0.001),)),
        Exchange(0.000, Request(b"\x09\x02"), (EcuMessage("7E9", payload(60), 0.050),)),
    ]
    times = [f.at_s for f in Rebuilder(CAN_11).frames_of(exchanges)]
    assert times == sorted(times)


def test_messages_of_one_identifier_never_mix() -> None:
    """Two channels in one session: can-isotp must still put each message together."""
    exchanges = [
        Exchange(at_s, Request(b"\x09\x02"), (EcuMessage("7E8", payload(length), 0.03),))
        for at_s, length in [(0.0, 60), (0.0, 60), (0.002, 41), (0.004, 5), (0.01, 100), (5.0, 20)]
    ]
    frames = list(Rebuilder(CAN_11).frames_of(exchanges))
    times = [f.at_s for f in frames]
    assert times == sorted(times)
    assert times[-1] == pytest.approx(5.03)
    received, _ = by_can_isotp(f.data for f in frames if f.address == "7E8")
    assert sorted(received) == sorted(payload(n) for n in (60, 60, 41, 5, 100, 20))


def test_equal_requests_at_one_time_do_not_look_like_an_echo() -> None:
    exchange = Exchange(0.0, Request(b"\x01\x0d"), (EcuMessage("7E8", b"\x41\x0d\x20", 0.0),))
    frames = list(Rebuilder(CAN_11).frames_of([exchange] * 4))
    for address in ("7DF", "7E8"):
        times = [f.at_s for f in frames if f.address == address]
        assert all(b - a > 0.001 for a, b in pairwise(times))
    assert [f.sent for f in frames] == [True, False] * 4  # each has its answer behind it


def test_what_has_no_frame_is_counted() -> None:
    exchanges = [
        Exchange(0, Request(b"\x01\x0c"), (EcuMessage("unknown", b"\x41\x0c\0\0"),)),
        Exchange(1, Request(bytes(20)), (EcuMessage("7E8", bytes(5000)),)),
        Exchange(2, Request(b"\x01\x0c"), (EcuMessage("7E8", b"\x41\x0c\0\0"),), note=INFERRED),
    ]
    rebuilder = Rebuilder(CAN_11, INFERRED)
    assert [f.address for f in rebuilder.frames_of(exchanges)] == ["7DF", "7E8"]
    assert (rebuilder.left_out, rebuilder.unseen, rebuilder.frames) == (3, 1, 2)


@pytest.mark.parametrize(
    ("address", "expected"),
    [("7E8", True), ("18DAF110", True), ("800", False), ("20000000", False), ("10", False),
     ("unknown", False), ("functional", False), ("", False)],
)  # fmt: skip
def test_addresses_of_can(address, expected) -> None:
    assert is_can(address) is expected
