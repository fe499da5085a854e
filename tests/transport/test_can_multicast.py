"""Direct CAN between two ends on this computer, over python-can's udp_multicast.

Multicast stays on this computer: it takes no hop.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator

import can
import pytest

from obdlog.errors import NoAnswerError
from obdlog.model import Outcome, Request
from obdlog.transport.registry import open_transport
from tests.transport.can_units import CLASSIC, FarEnd, Unit

GROUP, PORT = "239.74.163.77", 43177
URL = f"can://udp_multicast/{GROUP}?port={PORT}"
VIN = "490201" + b"XX0SMVA17G0000101".hex().upper()


def why_not() -> str:
    """Return why there is no multicast here, empty when there is."""
    options = {"channel": GROUP, "port": PORT, "hop_limit": 0, "fd": False}
    try:
        with (
            can.Bus(interface="udp_multicast", ignore_config=True, **options) as one,
            can.Bus(interface="udp_multicast", ignore_config=True, **options) as other,
        ):
            one.send(can.Message(arbitration_id=0x7FF, data=b"\x01", is_extended_id=False))
            return "" if other.recv(0.5) else "multicast packets do not come back here"
    except Exception as error:
        return f"no multicast here: {error}"


REASON = why_not()
pytestmark = pytest.mark.skipif(bool(REASON), reason=REASON)


@pytest.fixture
def far() -> Iterator[FarEnd]:
    engine = Unit(
        0x7E0, 0x7E8, {"0100": CLASSIC, "0902": VIN}, functional=True, echo=True, block_size=3
    )
    brakes = Unit(0x7B0, 0x7B8, {"3E00": "7E00"})
    options = {"port": PORT, "hop_limit": 0, "fd": False}
    with FarEnd(engine, brakes, interface="udp_multicast", channel=GROUP, **options) as far:
        yield far


def test_the_car_is_found_asked_and_left(far: FarEnd) -> None:
    transport = open_transport(URL)
    assert transport.connect().id_bits == 11
    assert [m.payload.hex().upper() for m in transport.exchange(Request(b"\x09\x02")).messages] == [
        VIN
    ]
    long = b"\x22" + bytes(range(100))
    assert transport.exchange(Request(long, "7E0")).messages[0].payload == b"\x62" + long[1:]
    tester = Request(b"\x3e\x00", "7B0", reply_from="7B8")
    assert [m.source for m in transport.exchange(tester).messages] == ["7B8"]
    transport.close()


def test_what_was_sent_is_not_heard_again(far: FarEnd) -> None:
    transport = open_transport(URL)
    transport.connect()
    wire = transport.exchange(Request(b"\x01\x00", "7E0")).wire
    transport.close()
    assert [(c.direction, c.raw[:6]) for c in wire] == [(">", b"7E0#02"), ("<", b"7E8#06")]


def test_packets_that_hold_no_frame_change_nothing(far: FarEnd) -> None:
    transport = open_transport(URL)
    transport.connect()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
        stranger.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
        for junk in (b"", b"\x00", b"GET / HTTP/1.1", bytes(3000), b"\xff" * 40):
            stranger.sendto(junk, (GROUP, PORT))
    assert transport.exchange(Request(b"\x01\x00", "7E0")).outcome is Outcome.ANSWERED
    transport.close()


def test_nobody_there_is_said() -> None:
    transport = open_transport(URL)
    with pytest.raises(NoAnswerError, match="no module answers"):
        transport.connect()
    transport.close()
