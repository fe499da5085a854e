"""The car on python-can buses, heard by python-can and can-isotp: libraries, not our own reader."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import can
import isotp
import pytest

from obdlog.errors import LinkOpenError
from obdlog.links.multicast import keep_to_own_group
from obdlog.simulator.can_node import CanManners
from obdlog.simulator.can_server import serve_can
from tests.simulator.test_serve import served

PATIENCE_S = 5.0


@contextmanager
def stack(bus: can.BusABC, tx: int, rx: int, **params: Any) -> Iterator[isotp.CanStack]:
    mode = isotp.AddressingMode.Normal_11bits if rx < 0x800 else isotp.AddressingMode.Normal_29bits
    far = isotp.CanStack(bus, address=isotp.Address(mode, txid=tx, rxid=rx), params=params)
    far.start()
    try:
        yield far
    finally:
        far.stop()


def ask(far: isotp.CanStack, request: str) -> bytes:
    far.send(bytes.fromhex(request))
    reply = far.recv(block=True, timeout=PATIENCE_S)
    assert reply is not None
    return bytes(reply)


@contextmanager
def car_on(channel: str, scenario: str = "airbox-repair", **options: Any) -> Iterator[can.BusABC]:
    """A served car and a second bus on its channel."""
    with served(serve_can, scenario, place=f"virtual/{channel}", **options) as url:
        assert url == f"can://virtual/{channel}"
        with can.Bus(interface="virtual", channel=channel) as bus:
            yield bus


# can-isotp gives the flow control: every block size, and a value of each coding of STmin.
@pytest.mark.parametrize(
    ("block", "separation"), [(n, 0) for n in range(16)] + [(0, 1), (3, 5), (0, 0xF1), (2, 0xF9)]
)
def test_a_library_puts_the_answer_together(block: int, separation: int) -> None:
    with (
        car_on(f"fc-{block}-{separation}") as bus,
        stack(bus, 0x7E0, 0x7E8, blocksize=block, stmin=separation) as far,
    ):
        reply = ask(far, "0902")
    assert reply == b"\x49\x02\x01XX0SMVA17G0000101"


@pytest.mark.parametrize(
    ("block", "separation"), [(0, 0), (1, 0), (2, 3), (15, 0), (0, 0x0A), (0, 0xF5)]
)
def test_a_library_follows_our_flow_control(block: int, separation: int) -> None:
    manners = CanManners(block_size=block, separation=separation, padding=0xAA)
    request = "22" + "F190F187" * 5
    with (
        car_on(f"long-{block}-{separation}", manners=manners) as bus,
        stack(bus, 0x7B0, 0x7B8) as far,
    ):
        reply = ask(far, request)
    assert reply[:3] == b"\x62\xf1\x90"
    assert reply.count(b"XX0SMVA17G0000101") == 5


def test_29_bits() -> None:
    with (
        car_on("wide", "diesel-29bit") as bus,
        stack(bus, 0x18DA10F1, 0x18DAF110) as far,
    ):
        assert ask(far, "0902") == b"\x49\x02\x01XX0SMVD46J0000104"


def test_several_clients_at_once() -> None:
    with (
        car_on("shared") as first,
        can.Bus(interface="virtual", channel="shared") as second,
        stack(first, 0x7E0, 0x7E8) as engine,
        stack(second, 0x7B0, 0x7B8) as brakes,
    ):
        engine.send(b"\x09\x02")
        assert ask(brakes, "22F190")[:3] == b"\x62\xf1\x90"
        reply = engine.recv(block=True, timeout=PATIENCE_S)
    assert bytes(reply or b"")[:3] == b"\x49\x02\x01"


def test_a_bus_that_is_given_stays_open() -> None:
    with (
        can.Bus(interface="virtual", channel="given") as own,
        can.Bus(interface="virtual", channel="given") as other,
    ):
        with (
            served(serve_can, "airbox-repair", place="virtual/given", bus=own),
            stack(other, 0x7E0, 0x7E8) as far,
        ):
            assert ask(far, "0100")[:2] == b"\x41\x00"
        own.send(can.Message(arbitration_id=0x123, data=b"\x01", is_extended_id=False))
        assert other.recv(PATIENCE_S) is not None


def test_error_and_remote_frames_are_nothing() -> None:
    with car_on("odd") as bus:
        bus.send(can.Message(is_error_frame=True, arbitration_id=0x7DF, is_extended_id=False))
        bus.send(can.Message(is_remote_frame=True, arbitration_id=0x7DF, is_extended_id=False))
        bus.send(can.Message(arbitration_id=0x7DF, data=b"\x02\x01\x00", is_extended_id=False))
        heard = [bus.recv(PATIENCE_S) for _ in range(2)]
    assert {m.arbitration_id for m in heard if m is not None} == {0x7E8, 0x7E9}


@contextmanager
def multicast(group: str) -> Iterator[can.BusABC]:
    """A served car and a second bus, by multicast on this machine."""
    try:
        client = can.Bus(interface="udp_multicast", channel=group, fd=False, hop_limit=0)
    except (can.CanError, OSError) as error:
        pytest.skip(f"no multicast here: {error}")
    keep_to_own_group(client.fileno())
    with client, served(serve_can, "airbox-repair", place=f"udp_multicast/{group}") as url:
        assert url == f"can://udp_multicast/{group}"
        yield client


def test_between_processes_on_this_machine() -> None:
    with (
        multicast("239.74.163.99") as client,
        stack(client, 0x7E0, 0x7E8, blocksize=4, stmin=1) as far,
    ):
        assert ask(far, "0902") == b"\x49\x02\x01XX0SMVA17G0000101"


def test_another_channel_is_another_bus() -> None:
    with multicast("239.74.163.97") as client, multicast("239.74.163.96"):
        client.send(can.Message(arbitration_id=0x7E0, data=b"\x02\x3e\x00", is_extended_id=False))
        heard = [client.recv(PATIENCE_S) for _ in range(2)]
        heard.append(client.recv(0.1))
    assert [m.arbitration_id for m in heard if m is not None] == [0x7E0, 0x7E8]


def test_a_broken_packet_harms_nobody() -> None:
    group = "239.74.163.98"
    with (
        multicast(group) as client,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger,
    ):
        stranger.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
        for _ in range(5):
            stranger.sendto(b"\xff\x00 no message", (group, 43113))
        client.send(can.Message(arbitration_id=0x7E0, data=b"\x02\x3e\x00", is_extended_id=False))
        heard = set()
        for _ in range(20):
            # The client's own library says of each broken packet that it is one.
            with suppress(can.CanOperationError):
                message = client.recv(PATIENCE_S)
                heard.add(message.arbitration_id if message is not None else 0)
            if 0x7E8 in heard:
                break
    assert 0x7E8 in heard


@pytest.mark.parametrize(
    ("scenario", "place", "said"),
    [
        ("airbox-repair", "nonsense/x", "no CAN interface 'nonsense'"),
        ("airbox-repair", "virtual", "no CAN bus"),
        ("airbox-repair", "virtual/", "no CAN bus"),
        ("airbox-repair", "udp_multicast/1.2.3.4", "cannot serve"),
        ("legacy-kwp", "virtual/x", "has no CAN bus"),
        ("no-such-car", "virtual/x", "no simulated car"),
    ],
)
def test_what_cannot_be_served(scenario: str, place: str, said: str) -> None:
    with pytest.raises(LinkOpenError, match=said):
        serve_can(scenario, place)
