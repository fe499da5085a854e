"""Direct CAN at python-can's boundary: who is asked, who is heard, and what goes wrong.

Identifiers, initialisation and times: ISO 15765-4. Frames: ISO 15765-2. The frames of the worked
examples are written out by hand.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import can
import pytest

from obdlog.clock import ManualClock
from obdlog.errors import LinkClosedError, LinkError, LinkOpenError, NoAnswerError, OpenFailure
from obdlog.links.url import parse_url
from obdlog.model import Generation, Outcome, Request
from obdlog.transport import can_open
from obdlog.transport.can_bus import CanTransport
from tests.transport.can_fake import ALIVE, FakeBus, payloads, plug_into

VIN_29 = "18DAF110"


@pytest.fixture
def plug_in(monkeypatch):
    return partial(plug_into, monkeypatch)


def test_a_functional_request_is_padded_to_eight_bytes_and_heard_from_every_module(plug_in):
    answers = {"7DF#02010C": [(0.02, "7E9#04410C1AF0"), (0.01, "7E8#04410C1AF8AAAAAA")]}
    transport, bus = plug_in(answers)
    exchange = transport.exchange(Request(b"\x01\x0c"))
    assert bus.sent == ["7DF#02010C0000000000"]
    assert payloads(exchange) == [("7E8", "410C1AF8"), ("7E9", "410C1AF0")]
    assert [round(m.after_s, 3) for m in exchange.messages] == [0.01, 0.02]


def test_flow_control_goes_to_the_module_itself_and_frames_of_two_interleave(plug_in):
    # ISO 15765-2: first frame 10 0A, consecutive frames 21; flow control 30 00 00 from us.
    answers = {
        "7DF#020904": [(0.01, "7E8#100A490401414243"), (0.011, "7E9#100B490401515253")],
        "7E0#30": [(0.001, "7E8#2144454647AAAAAA")],
        "7E1#30": [(0.0005, "7E9#2154555657580000")],
    }
    transport, bus = plug_in(answers)
    exchange = transport.exchange(Request(b"\x09\x04"))
    assert bus.sent[1:] == ["7E0#3000000000000000", "7E1#3000000000000000"]
    assert dict(payloads(exchange)) == {
        "7E8": "49040141424344454647",
        "7E9": "4904015152535455565758",
    }


def test_a_functional_exchange_ends_early_once_it_is_known_who_answers(plug_in):
    transport, _ = plug_in({"7DF#02010C": [(0.01, "7E8#04410C1AF8")]})
    first, later = (transport.exchange(Request(b"\x01\x0c")) for _ in range(2))
    took = []
    for _ in range(2):
        before_s = transport.clock.now_s()
        transport.exchange(Request(b"\x01\x0c"))
        took.append(transport.clock.now_s() - before_s)
    assert payloads(first) == payloads(later)
    assert max(took) < 0.02


def test_a_module_that_answers_late_once_is_waited_for_again(plug_in):
    slow = [
        [(0.01, "7E8#04410C1AF8")],
        [(0.01, "7E8#04410C1AF8"), (0.015, "7E9#04410C1AF0")],
        [(0.01, "7E8#04410C1AF8"), (0.015, "7E9#04410C1AF0")],
    ]
    transport, _ = plug_in({"7DF#02010C": slow, "7DF#02010D": [(0.05, "7E8#03410D00")]})
    sources = []
    for request in (b"\x01\x0c", b"\x01\x0c", b"\x01\x0d", b"\x01\x0c"):
        exchange = transport.exchange(Request(request))
        sources.append([m.source for m in exchange.messages])
        transport.clock.sleep_s(0.02)
    assert sources[-1] == ["7E8", "7E9"]


@pytest.mark.parametrize(
    ("target", "reply_from", "sent", "answer"),
    [
        ("7B0", "7B8", "7B0#023E0000", "7B8#027E00"),
        ("710", "77A", "710#023E0000", "77A#027E00"),
        ("18DA28F1", None, "18DA28F1#023E00", "18DAF128#027E00"),
        ("7E0", None, "7E0#023E00", "7E8#027E00"),
        ("7B1", None, "7B1#023E00", "7B9#037F3E11"),
    ],
)
def test_one_module_is_asked_at_its_own_address(plug_in, target, reply_from, sent, answer):
    transport, bus = plug_in({sent: [(0.01, answer), (0.011, "7C8#027E00")]})
    exchange = transport.exchange(Request(b"\x3e\x00", target, reply_from=reply_from))
    assert bus.sent[0].startswith(sent[:-2])
    assert exchange.messages[0].source == answer.partition("#")[0]


def test_looking_for_a_module_strangers_get_no_flow_control(plug_in):
    answers = {"7B0#023E00": [(0.01, "7C1#1014FFFFFFFFFFFF"), (0.02, "7B8#027E00")]}
    transport, bus = plug_in(answers)
    exchange = transport.exchange(Request(b"\x3e\x00", "7B0", wait_s=0.06))
    assert payloads(exchange) == [("7B8", "7E00")]
    assert len(bus.sent) == 1
    assert exchange.outcome is Outcome.ANSWERED


def test_response_pending_extends_the_wait_and_is_superseded(plug_in):
    answers = {"7E0#0319": [(0.01, "7E8#037F1978"), (4.0, "7E8#037F1978"), (8.5, "7E8#035902FF")]}
    transport, _ = plug_in(answers)
    exchange = transport.exchange(Request(b"\x19\x02\xaf", "7E0"))
    assert payloads(exchange) == [("7E8", "5902FF")]


def test_pending_for_ever_ends(plug_in):
    def always(sent: str):
        return [(n * 2.0 + 0.01, "7E8#037F1978") for n in range(200)] if "0319" in sent else []

    transport, _ = plug_in({}, always=always)
    exchange = transport.exchange(Request(b"\x19\x02\xaf", "7E0"))
    assert exchange.outcome is Outcome.TIMEOUT
    assert transport.clock.now_s() < 60.0


def test_busy_is_asked_again_a_bounded_number_of_times(plug_in):
    transport, bus = plug_in({"7E0#0322F190": [(0.01, "7E8#037F2221")]})
    exchange = transport.exchange(Request(b"\x22\xf1\x90", "7E0"))
    assert len(bus.sent) == 4
    assert exchange.outcome is Outcome.REFUSED


@pytest.mark.parametrize("answer", [[], [(0.01, "7E8#037F0421")], [(0.01, "7E8#037F0478")]])
def test_an_erase_goes_out_once_whatever_happens(plug_in, answer):
    transport, bus = plug_in({"7DF#0104": answer})
    transport.exchange(Request(b"\x04"))
    assert [text for text in bus.sent if text.startswith("7DF")] == ["7DF#0104000000000000"]


@pytest.mark.parametrize(
    "frames",
    [
        ["7E8#1014490201585830", "7E8#2230303030313031"],  # one lost
        ["7E8#1014490201585830", "7E8#21534D5641313747", "7E8#21534D5641313747"],  # doubled
        ["7E8#1014490201585830", "7E8#2230303030313031", "7E8#21534D5641313747"],  # swapped
        ["7E8#1014490201585830"],  # cut
        ["7E8#1014490201585830", "7E8#1014490201585831", "7E8#21534D5641313747"],  # two modules
    ],
)
def test_a_damaged_message_is_no_message(plug_in, frames):
    answers = {"7DF#020902": [(0.01 + n / 1000, text) for n, text in enumerate(frames)]}
    transport, bus = plug_in(answers)
    exchange = transport.exchange(Request(b"\x09\x02"))
    assert exchange.messages == ()
    assert exchange.outcome is Outcome.GARBLED
    assert exchange.damaged
    assert exchange.note
    # Asked again at most twice.
    assert sum(text.startswith("7DF") for text in bus.sent) == 3


@pytest.mark.parametrize(
    "first",
    [
        "7E8#1007490201585830",  # a length that fits a single frame: ISO 15765-2 ignores it
        "7E8#1000FFFFFFFF5830",  # a message of four gigabytes
        "7E8#1000000000105830",  # the long form for a short length
        "7E8#10",
        "7E8#",
        "7E8#F0",
    ],
)
def test_a_malicious_length_gets_no_message(plug_in, first):
    transport, bus = plug_in({"7DF#020902": [(0.01, first)]})
    exchange = transport.exchange(Request(b"\x09\x02"))
    assert exchange.messages == ()
    assert not any(text.startswith("7E0#30") for text in bus.sent)


def test_a_flood_of_other_traffic_changes_nothing_and_ends(plug_in):
    flood = [(n / 20000, f"{n % 0x600:03X}#0102030405060708") for n in range(6000)]
    transport, _ = plug_in({"7DF#02010C": [*flood, (0.03, "7E8#04410C1AF8")]})
    exchange = transport.exchange(Request(b"\x01\x0c"))
    assert payloads(exchange) == [("7E8", "410C1AF8")]
    assert transport.clock.now_s() < 1.0


def test_a_few_error_frames_are_told(plug_in):
    transport, _ = plug_in({"7DF#02010C": [(0.001 * n, "!") for n in range(3)]})
    exchange = transport.exchange(Request(b"\x01\x0c"))
    assert exchange.outcome is Outcome.GARBLED
    assert "3 error frames" in exchange.note


def test_a_bus_that_brings_only_errors_is_left(plug_in):
    transport, bus = plug_in({"7DF#02010C": [(0.001 * n, "!") for n in range(20)]})
    with pytest.raises(LinkClosedError, match="error frames on the CAN bus; the bus was left"):
        transport.exchange(Request(b"\x01\x0c"))
    assert bus.shut == 1


def test_an_interface_that_goes_away_ends_the_link(plug_in):
    transport, bus = plug_in({})
    bus.lost = can.CanOperationError("device unplugged")
    with pytest.raises(LinkClosedError, match="device unplugged"):
        transport.exchange(Request(b"\x01\x0c"))


def test_a_bus_that_switched_off_says_so(plug_in):
    transport, bus = plug_in({})
    bus._fails = can.CanOperationError("transmit failed")
    bus.state = can.BusState.ERROR
    with pytest.raises(LinkClosedError, match="switched itself off"):
        transport.exchange(Request(b"\x01\x0c"))


@pytest.mark.parametrize("target", ["80", "7XX", "800", "2FFFFFFF", "", "7B0 "])
def test_an_address_that_is_none_is_misuse(plug_in, target):
    transport, _ = plug_in({})
    if target == "80":
        assert transport.exchange(Request(b"\x3e\x00", target)).messages == ()
        return
    with pytest.raises(ValueError, match="CAN identifier"):
        transport.exchange(Request(b"\x3e\x00", target))


def test_what_crossed_the_bus_is_kept(plug_in):
    transport, _ = plug_in({"7DF#02010C": [(0.01, "7E8#04410C1AF8"), (0.01, "123#00")]})
    wire = transport.exchange(Request(b"\x01\x0c")).wire
    assert [(c.direction, c.raw) for c in wire] == [
        (">", b"7DF#02010C0000000000"),
        ("<", b"7E8#04410C1AF8"),
    ]


# Connecting


def test_a_car_with_29_bit_identifiers_is_found(plug_in):
    answers = {"7DF#020100": [], "18DB33F1#020100": [(0.01, f"{VIN_29}#064100BE1FA813")]}
    transport, _ = plug_in(answers, connect=False)
    protocol = transport.connect()
    assert protocol.id_bits == 29
    assert transport.generation is Generation.CLASSIC


def test_a_car_after_sae_j1979_2_is_told(plug_in):
    answers = {"7DF#020100": [], "7DF#0322F400": [(0.01, "7E8#0762F4001E190003")]}
    transport, _ = plug_in(answers, connect=False)
    transport.connect()
    assert transport.generation is Generation.ON_UDS


@pytest.mark.parametrize("ext", [0, 1])
def test_the_width_can_be_stated(plug_in, ext):
    answers = {"18DB33F1#020100": [(0.01, f"{VIN_29}#064100BE1FA813")]}
    transport, _ = plug_in(answers, connect=False, url=f"can://virtual/bench?ext={ext}")
    assert transport.connect().id_bits == (29 if ext else 11)


def test_a_silent_bus_is_left(plug_in):
    transport, bus = plug_in({"7DF#020100": []}, connect=False)
    with pytest.raises(NoAnswerError, match="no module answers") as caught:
        transport.connect()
    assert bus.shut == 1
    assert "ignition" in caught.value.hint


def test_a_wrong_bit_rate_that_was_stated_is_left_at_the_first_errors(plug_in):
    answers = {"7DF#020100": [(0.001 * n, "!") for n in range(50)]}
    transport, bus = plug_in(answers, connect=False, url="can://slcan/x?bitrate=250000")
    with pytest.raises(NoAnswerError, match="error frames") as caught:
        transport.connect()
    assert bus.shut == 1
    assert len(bus.sent) == 1
    assert "bitrate" in caught.value.hint


def test_nobody_who_acknowledges_is_told(plug_in):
    transport, bus = plug_in({}, connect=False, fails=can.CanOperationError("no acknowledge"))
    with pytest.raises(NoAnswerError, match="takes what is sent"):
        transport.connect()
    assert bus.shut == 1


def rates(monkeypatch, by_rate: dict[int, dict[str, Any]]):
    """Let can.Bus give a bus by its bit rate; return the log of how each was opened."""
    clock = ManualClock()
    opened: list[tuple[int, bool]] = []
    buses: list[FakeBus] = []

    def make(**options):
        rate = options["bitrate"]
        opened.append((rate, bool(options.get("listen_only"))))
        state = by_rate[rate]
        bus = FakeBus(clock, ALIVE if state.get("right") else {}, always=state.get("always"))
        bus._queue = [(clock.now_s() + 0.01 * n, n, m) for n, m in enumerate(state["heard"])]
        buses.append(bus)
        return bus

    monkeypatch.setattr(can, "Bus", make)
    return CanTransport(parse_url("can://slcan/x"), clock=clock), opened, buses


NORMAL = [can.Message(arbitration_id=0x123, data=b"\x00", is_extended_id=False)] * 10
ERRORS = [can.Message(is_error_frame=True)] * 10


def test_an_unknown_bit_rate_is_found_by_listening_before_anything_is_sent(monkeypatch):
    transport, opened, buses = rates(
        monkeypatch, {500_000: {"heard": ERRORS}, 250_000: {"heard": NORMAL, "right": True}}
    )
    protocol = transport.connect()
    assert opened == [(500_000, True), (250_000, True), (250_000, False)]
    assert protocol.number == "8"
    assert not any(bus.sent for bus, (_, listening) in zip(buses, opened, strict=True) if listening)


def test_on_a_silent_bus_the_first_errors_end_the_trial(monkeypatch):
    def disturbed(_: str):
        return [(0.001 * n, "!") for n in range(20)]

    transport, opened, buses = rates(
        monkeypatch,
        {500_000: {"heard": [], "always": disturbed}, 250_000: {"heard": [], "right": True}},
    )
    assert transport.connect().bit_rate == 250_000
    sent = [bus.sent for bus, (rate, _) in zip(buses, opened, strict=True) if rate == 500_000]
    assert [len(texts) for texts in sent] == [0, 1]
    assert all(bus.shut for bus, (rate, _) in zip(buses, opened, strict=True) if rate == 500_000)


def test_an_interface_that_cannot_only_listen_needs_the_bit_rate():
    with pytest.raises(LinkOpenError, match="cannot listen without taking part") as caught:
        CanTransport(parse_url("can://gs_usb/0")).connect()
    assert "?bitrate=500000" in caught.value.hint


# Opening


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (can.CanInterfaceNotImplementedError("driver not installed"), OpenFailure.NEEDS_EXTRA),
        (ImportError("no module"), OpenFailure.NEEDS_EXTRA),
        (PermissionError("denied"), OpenFailure.NOT_PERMITTED),
        (OSError(19, "No such device"), OpenFailure.MISSING),
        (FileNotFoundError(2, "No such file"), OpenFailure.MISSING),
        (NameError("name 'openChannel' is not defined"), OpenFailure.NEEDS_EXTRA),
        (OSError(97, "Address family not supported by protocol"), OpenFailure.NEEDS_EXTRA),
        (can.CanInitializationError("the device is busy"), OpenFailure.BUSY),
        (can.CanInitializationError("no answer"), OpenFailure.OTHER),
        (TypeError("unexpected keyword"), OpenFailure.OTHER),
    ],
)
def test_what_a_driver_raises_becomes_one_sentence(monkeypatch, error, reason):
    def fail(**_):
        raise error

    monkeypatch.setattr(can, "Bus", fail)
    with pytest.raises(LinkOpenError, match="socketcan at can0") as caught:
        CanTransport(parse_url("can://socketcan/can0")).connect()
    assert caught.value.reason is reason
    assert caught.value.hint


@pytest.mark.parametrize(
    "url",
    [
        "can://socketcan",
        "can://socketcan/",
        "can://soc ket/can0",
        "can://socketcan/can0?bitrate=fast",
        "can://socketcan/can0?ext=2",
        "can://socketcan/can0?speed=1",
    ],
)
def test_a_malformed_url_is_told(url):
    with pytest.raises(LinkOpenError) as caught:
        CanTransport(parse_url(url))
    assert caught.value.reason is OpenFailure.BAD_URL


def test_an_interface_that_there_is_not_is_told_with_those_there_are():
    with pytest.raises(LinkOpenError, match="no CAN interface 'telepathy'") as caught:
        CanTransport(parse_url("can://telepathy/0?bitrate=500000")).connect()
    assert "socketcan" in caught.value.hint


def test_every_way_to_listen_only_belongs_to_an_interface_of_python_can():
    assert set(can_open.LISTEN_ONLY) | can_open.NO_BIT_RATE <= set(can.VALID_INTERFACES)


def test_close_twice_is_harmless(plug_in):
    transport, bus = plug_in({})
    transport.close()
    transport.close()
    assert bus.shut == 1
    with pytest.raises(LinkError, match="closed"):
        transport.exchange(Request(b"\x01\x0c"))


def test_asking_before_connecting_is_misuse():
    with pytest.raises(ValueError, match="connect first"):
        CanTransport(parse_url("can://virtual/x")).exchange(Request(b"\x01\x0c"))
