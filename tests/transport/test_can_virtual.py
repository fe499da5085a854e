"""Direct CAN over python-can's virtual bus, with control units written on can-isotp.

Times: ISO 15765-4 gives a module 50 ms for its first frame and 5 s after "response pending".
"""

from __future__ import annotations

import logging
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from obdlog.errors import LinkClosedError, NoAnswerError
from obdlog.model import Exchange, Generation, Outcome, Request
from obdlog.session.format import SessionHeader
from obdlog.session.reader import read_session
from obdlog.session.writer import SessionWriter
from obdlog.transport.base import Transport
from obdlog.transport.recording import RecordingTransport
from obdlog.transport.registry import open_transport
from tests.transport.can_units import CLASSIC, FarEnd, Unit

RPM = Request(b"\x01\x0c")
VIN = "490201" + b"XX0SMVA17G0000101".hex().upper()

Open = Callable[..., tuple[Transport, FarEnd]]


@pytest.fixture
def bus() -> Iterator[Open]:
    """Return a function that puts units on a bus and connects to it."""
    with ExitStack() as held:

        def connected(*units: Unit, query: str = "") -> tuple[Transport, FarEnd]:
            far = held.enter_context(FarEnd(*units))
            transport = open_transport(far.url + query)
            held.callback(transport.close)
            transport.connect()
            return transport, far

        yield connected


def engine(**table: object) -> Unit:
    return Unit(0x7E0, 0x7E8, {"0100": CLASSIC, **table}, functional=True)  # type: ignore[dict-item]


def gearbox(**table: object) -> Unit:
    return Unit(0x7E1, 0x7E9, {"0100": CLASSIC, **table}, functional=True)  # type: ignore[dict-item]


def heard(exchange: Exchange) -> list[tuple[str, str]]:
    return sorted((m.source, m.payload.hex().upper()) for m in exchange.messages)


def test_a_slow_module_is_never_lost(bus: Open) -> None:
    fast, slow = engine(**{"010C": "410C1AF8"}), gearbox(**{"010C": (0.045, "410C0BB8")})
    transport, _ = bus(fast, slow)
    for _ in range(20):
        assert heard(transport.exchange(RPM)) == [("7E8", "410C1AF8"), ("7E9", "410C0BB8")]


def test_once_known_who_answers_nothing_is_waited_for(bus: Open) -> None:
    transport, _ = bus(engine(**{"010C": "410C1AF8"}), gearbox())
    transport.exchange(RPM)
    began_s = time.monotonic()
    for _ in range(50):
        assert heard(transport.exchange(RPM)) == [("7E8", "410C1AF8")]
    assert time.monotonic() - began_s < 50 * 0.05


def test_long_answers_of_two_modules_at_once(bus: Open) -> None:
    transport, far = bus(engine(**{"0902": VIN}), gearbox(**{"0902": VIN}))
    assert heard(transport.exchange(Request(b"\x09\x02"))) == [("7E8", VIN), ("7E9", VIN)]
    flow = [identifier for identifier, data in far.sent_by_tester() if data[0] >> 4 == 3]
    assert sorted(flow) == [0x7E0, 0x7E1]


def test_every_frame_of_ours_has_eight_bytes(bus: Open) -> None:
    unit = engine(**{"0902": VIN})
    unit.echo = True
    transport, far = bus(unit)
    transport.exchange(Request(b"\x09\x02"))
    transport.exchange(Request(b"\x22" + bytes(20), "7E0"))
    assert {len(data) for _, data in far.sent_by_tester()} == {8}


@pytest.mark.parametrize("padding", [None, 0x00, 0x55, 0xCC])
def test_answers_have_any_padding_or_none(bus: Open, padding: int | None) -> None:
    unit = engine(**{"010C": "410C1AF8", "0902": VIN})
    unit.padding = padding
    transport, _ = bus(unit)
    assert heard(transport.exchange(RPM)) == [("7E8", "410C1AF8")]
    assert heard(transport.exchange(Request(b"\x09\x02"))) == [("7E8", VIN)]


def test_normal_fixed_addresses(bus: Open) -> None:
    wide = Unit(0x18DA10F1, 0x18DAF110, {"0100": CLASSIC, "0902": VIN}, functional=True)
    brakes = Unit(0x18DA28F1, 0x18DAF128, {"3E00": "7E00"})
    transport, far = bus(wide, brakes)
    assert transport.protocol is not None
    assert transport.protocol.id_bits == 29
    assert heard(transport.exchange(Request(b"\x09\x02"))) == [("18DAF110", VIN)]
    assert (0x18DA10F1, bytes.fromhex("3000000000000000")) in far.sent_by_tester()
    assert heard(transport.exchange(Request(b"\x3e\x00", "18DA28F1"))) == [("18DAF128", "7E00")]


@pytest.mark.parametrize(
    ("request_id", "response_id"), [(0x7B0, 0x7B8), (0x710, 0x77A), (0x18DA28F1, 0x18DAF128)]
)
def test_any_pair_of_addresses_in_both_directions(
    bus: Open, request_id: int, response_id: int
) -> None:
    module = Unit(request_id, response_id, echo=True, block_size=2, separation=0xF2)
    transport, _ = bus(engine(), module)
    long = b"\x22" + bytes(range(30))
    asked = Request(long, f"{request_id:03X}", reply_from=f"{response_id:03X}")
    assert heard(transport.exchange(asked)) == [
        (f"{response_id:03X}", "62" + long[1:].hex().upper())
    ]


def test_one_module_answers_at_once(bus: Open) -> None:
    transport, _ = bus(engine(**{"010C": "410C1AF8"}))
    began_s = time.monotonic()
    for _ in range(20):
        transport.exchange(Request(b"\x01\x0c", "7E0"))
    assert time.monotonic() - began_s < 20 * 0.05


def test_a_search_hears_who_answers_from_anywhere(bus: Open) -> None:
    odd = Unit(0x710, 0x77A, {"3E00": "7F3E11"})
    transport, _ = bus(engine(), odd)
    found = transport.exchange(Request(b"\x3e\x00", "710", wait_s=0.06))
    assert heard(found) == [("77A", "7F3E11")]
    assert found.outcome is Outcome.REFUSED
    nobody = transport.exchange(Request(b"\x3e\x00", "711", wait_s=0.06))
    assert (nobody.outcome, nobody.messages) == (Outcome.NO_DATA, ())


def test_pending_is_waited_for_and_the_answer_stands_alone(bus: Open) -> None:
    said = ["7F0978", (0.15, "7F0978"), (0.15, VIN)]
    transport, _ = bus(engine(**{"0902": said}), gearbox(**{"0902": "7F0911"}))
    exchange = transport.exchange(Request(b"\x09\x02"))
    assert heard(exchange) == [("7E8", VIN), ("7E9", "7F0911")]
    assert exchange.outcome is Outcome.ANSWERED


def test_a_car_after_sae_j1979_2(bus: Open) -> None:
    newer = Unit(0x7E0, 0x7E8, {"0100": "7F0111", "22F400": "62F400BE3EA813"}, functional=True)
    transport, _ = bus(newer)
    assert transport.generation is Generation.ON_UDS


def test_a_module_that_refuses_everything_is_a_car_all_the_same(bus: Open) -> None:
    table = {ask: f"7F{ask[:2]}11" for ask in ("0100", "22F400", "22F810", "010C")}
    transport, _ = bus(Unit(0x7E0, 0x7E8, table, functional=True))
    assert transport.generation is Generation.CLASSIC
    assert transport.exchange(RPM).outcome is Outcome.REFUSED


def test_a_bit_rate_that_is_not_known_is_not_claimed(bus: Open) -> None:
    transport, _ = bus(engine())
    assert transport.protocol is not None
    assert "500" not in transport.protocol.name
    transport, _ = bus(engine(), query="?bitrate=500000")
    assert transport.protocol is not None
    assert transport.protocol.name == "ISO 15765-4 CAN 11 bit, 500 kbit/s"


def test_frames_are_kept_with_the_session_on_demand(bus: Open, tmp_path: object) -> None:
    unit = engine(**{"0902": VIN})
    transport, _ = bus(unit)
    path = f"{tmp_path}/w.session.jsonl"
    with SessionWriter(path, SessionHeader(version=1), transport.clock) as writer:
        recording = RecordingTransport(transport, writer, keep_wire=True)
        recording.exchange(Request(b"\x09\x02"))
    wire = [(record.dir, record.raw) for record in read_session(path).wire]
    assert wire[0] == (">", "7DF#0209020000000000")
    assert wire[1][1].startswith("7E8#1014490201")
    assert wire[2] == (">", "7E0#3000000000000000")
    assert [text[:6] for _, text in wire[3:]] == ["7E8#21", "7E8#22"]


def test_closing_leaves_the_bus_and_connecting_again_works(bus: Open) -> None:
    transport, _ = bus(engine(**{"010C": "410C1AF8"}))
    transport.close()
    transport.close()
    with pytest.raises(LinkClosedError):
        transport.exchange(RPM)
    transport.connect()
    assert heard(transport.exchange(RPM)) == [("7E8", "410C1AF8")]


def test_an_empty_bus_is_a_car_that_does_not_answer() -> None:
    transport = open_transport("can://virtual/nobody-here")
    with pytest.raises(NoAnswerError) as caught:
        transport.connect()
    assert caught.value.exit_code == 4
    assert caught.value.hint


def test_faults_do_not_reach_the_screen() -> None:
    """can-isotp logs each fault as a warning, which Python prints where nobody handles it."""
    script = (
        "from obdlog.transport.can_channels import CanFrame, Channel\n"
        "channel = Channel('7E0', '7E8', lambda frame: None)\n"
        "channel.feed(CanFrame('7E8', bytes.fromhex('2105060708090A0B')))\n"
        "assert channel.faults\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert logging.lastResort is not None
