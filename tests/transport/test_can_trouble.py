"""Direct CAN when something is wrong with bus, interface or a module; at python-can's boundary.

Meanings of SocketCAN's error frames: Linux, ``include/uapi/linux/can/error.h``.
"""

from __future__ import annotations

import errno
import random
from collections.abc import Callable
from functools import partial
from typing import Any

import can
import pytest

from obdlog.clock import ManualClock
from obdlog.errors import LinkClosedError, LinkError, LinkOpenError, NoAnswerError, OpenFailure
from obdlog.links.url import parse_url
from obdlog.model import Outcome, Request
from obdlog.transport.can_bus import CanTransport
from obdlog.transport.can_talk import LONGEST_S, MOST_MESSAGES, VERIFY_S
from tests.transport.can_fake import ALIVE, FakeBus, payloads, plug_into

RPM = Request(b"\x01\x0c")
ERASE = Request(b"\x04")
ONE = Request(b"\x22\xf1\x90", "7E0")

PlugIn = Callable[..., tuple[CanTransport, FakeBus]]


@pytest.fixture
def plug_in(monkeypatch: pytest.MonkeyPatch) -> PlugIn:
    return partial(plug_into, monkeypatch)


def socketcan_error(kind: int) -> can.Message:
    return can.Message(
        arbitration_id=kind, is_error_frame=True, is_extended_id=False, data=bytes(8)
    )


class TestSocketCan:
    @pytest.mark.parametrize(
        ("kind", "words"), [(0x40, "bus off"), (0x20, "nobody on the CAN bus acknowledges")]
    )
    def test_what_an_error_frame_tells_is_said(
        self, plug_in: PlugIn, kind: int, words: str
    ) -> None:
        url = "can://socketcan/can0"
        transport, bus = plug_in({"7DF#020100": []}, url=url, connect=False)
        bus.interrupt = [socketcan_error(kind)] * 8
        with pytest.raises(NoAnswerError, match=words):
            transport.connect()
        assert bus.shut == 1
        assert len(bus.sent) == 1

    def test_bus_off_in_the_middle_ends_the_link(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in({}, url="can://socketcan/can0")
        bus.interrupt = [socketcan_error(0x40)]
        with pytest.raises(LinkClosedError, match="bus off") as caught:
            transport.exchange(RPM)
        assert caught.value.hint
        assert bus.shut == 1

    def test_changes_of_state_and_restarts_are_no_errors(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in(
            {"7DF#02010C": [(0.01, "7E8#04410C1AF8")]}, url="can://socketcan/c"
        )
        bus.interrupt = [socketcan_error(kind) for kind in (0x04, 0x100, 0x200, 0x204)]
        exchange = transport.exchange(RPM)
        assert (exchange.outcome, exchange.note) == (Outcome.ANSWERED, "")

    def test_an_interface_that_is_down_is_no_silent_car(self, plug_in: PlugIn) -> None:
        down = can.CanOperationError("Failed to transmit: Network is down", errno.ENETDOWN)
        transport, bus = plug_in({}, url="can://socketcan/can0", connect=False, fails=down)
        with pytest.raises(LinkError, match="down or gone") as caught:
            transport.connect()
        assert "ip link set can0 up" in caught.value.hint
        assert caught.value.exit_code == 3
        assert bus.shut == 1

    def test_a_full_queue_means_that_nobody_acknowledges(self, plug_in: PlugIn) -> None:
        full = can.CanOperationError("No buffer space available", errno.ENOBUFS)
        transport, _ = plug_in({}, url="can://socketcan/can0", connect=False, fails=full)
        with pytest.raises(NoAnswerError, match="takes what is sent"):
            transport.connect()


class TestUnknownBitRate:
    @pytest.fixture
    def rates(self, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
        def rates(**at: dict[str, Any]) -> tuple[CanTransport, list[tuple[int, bool, FakeBus]]]:
            clock = ManualClock()
            opened: list[tuple[int, bool, FakeBus]] = []

            def make(**options: Any) -> FakeBus:
                how = dict(at[f"at_{options['bitrate'] // 1000}"])
                listening = bool(options.get("listen_only"))
                heard = how.pop("heard", [])
                answers = how.pop("answers", {})
                bus = FakeBus(clock, answers, **({} if listening else how))
                if listening:
                    bus.interrupt = list(heard)
                opened.append((options["bitrate"], listening, bus))
                return bus

            monkeypatch.setattr(can, "Bus", make)
            return CanTransport(parse_url("can://slcan/x"), clock=clock), opened

        return rates

    def test_a_rate_that_nobody_acknowledges_is_not_the_last_word(self, rates: Any) -> None:
        deaf = can.CanOperationError("no acknowledge")
        transport, opened = rates(at_500={"fails": deaf}, at_250={"answers": ALIVE})
        assert transport.connect().bit_rate == 250_000
        assert [(rate, listening) for rate, listening, _ in opened] == [
            (500_000, True),
            (250_000, True),
            (500_000, False),
            (250_000, False),
        ]
        assert [bus.shut for *_, bus in opened] == [1, 1, 1, 0]
        transport.close()

    def test_on_a_silent_bus_one_error_after_one_request_is_enough(self, rates: Any) -> None:
        transport, opened = rates(
            at_500={"answers": {"7DF": [(0.001, "!")]}}, at_250={"answers": {"7DF": [(0.001, "!")]}}
        )
        with pytest.raises(NoAnswerError, match="1 error frames on the CAN bus; the bus was left"):
            transport.connect()
        assert [len(bus.sent) for *_, bus in opened] == [0, 0, 1, 1]
        assert all(bus.shut == 1 for *_, bus in opened)

    def test_where_errors_alone_are_heard_nothing_is_sent(self, rates: Any) -> None:
        errors = [can.Message(is_error_frame=True)] * 5
        transport, opened = rates(at_500={"heard": errors}, at_250={"heard": errors})
        with pytest.raises(NoAnswerError, match="neither 500 nor 250 kbit/s"):
            transport.connect()
        assert len(opened) == 2
        assert not any(bus.sent for *_, bus in opened)

    def test_a_controller_that_only_tells_its_state_is_believed(self, rates: Any) -> None:
        transport, opened = rates(at_500={"state": can.BusState.ERROR}, at_250={"answers": ALIVE})
        assert transport.connect().bit_rate == 250_000
        assert len(opened[2][2].sent) == 1
        transport.close()


class TestModules:
    def test_busy_keeps_what_another_module_answered(self, plug_in: PlugIn) -> None:
        answers = {
            "7DF#020902": [
                [(0.01, "7E8#037F0921"), (0.02, "7E9#0449020141")],
                [(0.01, "7E8#0449020142")],
            ]
        }
        transport, _ = plug_in(answers)
        exchange = transport.exchange(Request(b"\x09\x02"))
        assert sorted(payloads(exchange)) == [("7E8", "49020142"), ("7E9", "49020141")]

    def test_two_modules_on_one_identifier_are_said(self, plug_in: PlugIn) -> None:
        transport, _ = plug_in(
            {"7DF#02010C": [(0.01, "7E8#04410C1AF8"), (0.011, "7E8#04410C0000")]}
        )
        exchange = transport.exchange(RPM)
        assert len(exchange.messages) == 2
        assert "7E8 answered 2 times; two modules may answer" in exchange.note

    def test_a_late_answer_is_said_and_left_out(self, plug_in: PlugIn) -> None:
        transport, _ = plug_in(
            {"7E0#0322F190": [(0.01, "7E8#0462F19041"), (0.02, "7E8#0462F19042")]}
        )
        assert payloads(transport.exchange(ONE)) == [("7E8", "62F19041")]
        transport.clock.sleep_s(0.1)
        later = transport.exchange(Request(b"\x3e\x00", "7E0"))
        assert later.messages == ()
        assert "7E8 said something late; left out" in later.note

    def test_flow_control_out_of_place_is_ignored(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in(
            {"7E0#0322F190": [(0.001, "7E8#300000"), (0.01, "7E8#0462F19041")]}
        )
        exchange = transport.exchange(ONE)
        assert payloads(exchange) == [("7E8", "62F19041")]
        assert (exchange.damaged, exchange.note) == (False, "")
        assert len(bus.sent) == 1

    def test_a_refusal_instead_of_flow_control_is_the_answer(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in({"7E0#10": [(0.01, "7E8#037F2213")]})
        exchange = transport.exchange(Request(b"\x22" + bytes(20), "7E0"))
        assert payloads(exchange) == [("7E8", "7F2213")]
        assert len(bus.sent) == 1

    def test_a_babbling_module_ends(self, plug_in: PlugIn) -> None:
        babble = [(n / 1000, "7E8#04410C1AF8") for n in range(60_000)]
        transport, _ = plug_in({"7DF#02010C": babble})
        exchange = transport.exchange(RPM)
        assert len(exchange.messages) <= MOST_MESSAGES
        assert exchange.damaged
        assert transport.clock.now_s() < LONGEST_S

    def test_half_a_message_in_other_traffic_ends(self, plug_in: PlugIn) -> None:
        traffic = [(0.011 + n / 2000, "123#00") for n in range(20_000)]
        transport, _ = plug_in({"7DF#020902": [(0.01, "7E8#1014490201585830"), *traffic]})
        began_s = transport.clock.now_s()
        exchange = transport.exchange(Request(b"\x09\x02"))
        assert exchange.outcome is Outcome.GARBLED
        assert "ends before it is whole" in exchange.note
        assert transport.clock.now_s() - began_s < 5.0

    def test_a_message_that_answers_something_else_is_told(self, plug_in: PlugIn) -> None:
        transport, _ = plug_in({"7DF#02010C": [(0.01, "7E8#03410D00"), (0.02, "7E9#04410C1AF8")]})
        exchange = transport.exchange(RPM)
        assert payloads(exchange) == [("7E9", "410C1AF8")]
        assert "1 message(s) that answer something else left out" in exchange.note

    def test_more_modules_than_channels_are_all_heard(self, plug_in: PlugIn) -> None:
        def always(sent: str) -> list[tuple[float, str]]:
            module = sent[4:6]
            return [(0.01, f"18DAF1{module}#027E00")] if sent.startswith("18DA") else []

        transport, _ = plug_in({}, always=always)
        for module in range(0x10, 0x80):
            exchange = transport.exchange(Request(b"\x3e\x00", f"18DA{module:02X}F1"))
            assert payloads(exchange) == [(f"18DAF1{module:02X}", "7E00")]

    @pytest.mark.parametrize("answer", ["7C1#037F3E21", "7C1#037F3E78"])
    def test_whoever_is_searched_for_has_been_found_when_it_is_busy(
        self, plug_in: PlugIn, answer: str
    ) -> None:
        transport, bus = plug_in({"7B0#023E00": [(0.01, answer)]})
        began_s = transport.clock.now_s()
        exchange = transport.exchange(Request(b"\x3e\x00", "7B0", wait_s=0.06))
        assert [m.source for m in exchange.messages] == ["7C1"]
        assert len(bus.sent) == 1
        assert transport.clock.now_s() - began_s < 0.1


class TestErase:
    def test_its_answer_is_kept_when_the_road_ends_after_it(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in({"7DF#0104": [(0.01, "7E8#0144")]})
        bus.lost_after = (1, can.CanOperationError("device unplugged"))
        exchange = transport.exchange(ERASE)
        assert payloads(exchange) == [("7E8", "44")]
        assert "device unplugged" in exchange.note

    def test_a_damaged_answer_is_not_asked_again(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in({"7DF#0104": [(0.01, "7E8#2144")]})
        exchange = transport.exchange(ERASE)
        assert exchange.outcome is Outcome.GARBLED
        assert len(bus.sent) == 1

    def test_it_is_waited_for_longer(self, plug_in: PlugIn) -> None:
        transport, _ = plug_in({"7DF#0104": [(1.5, "7E8#0144")]})
        assert payloads(transport.exchange(ERASE)) == [("7E8", "44")]

    def test_pending_first_is_waited_for(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in({"7DF#0104": [(0.01, "7E8#037F0478"), (4.0, "7E8#0144")]})
        assert payloads(transport.exchange(ERASE)) == [("7E8", "44")]
        assert len(bus.sent) == 1


class TestWhoAnswers:
    def test_it_is_verified_now_and_then(self, plug_in: PlugIn) -> None:
        transport, bus = plug_in({"7DF#02010C": [(0.01, "7E8#04410C1AF8")]})
        took: list[float] = []
        while transport.clock.now_s() < VERIFY_S + 2.0:
            began_s = transport.clock.now_s()
            transport.exchange(RPM)
            took.append(transport.clock.now_s() - began_s)
            transport.clock.sleep_s(0.5)
        assert sum(seconds > 0.05 for seconds in took) == 2
        assert len(bus.sent) == len(took)

    def test_a_module_that_falls_silent_costs_one_wait(self, plug_in: PlugIn) -> None:
        both = [(0.01, "7E8#04410C1AF8"), (0.011, "7E9#04410C1AF8")]
        transport, _ = plug_in({"7DF#02010C": [both, both, both[:1], both[:1], both[:1]]})
        took = []
        for _ in range(5):
            began_s = transport.clock.now_s()
            transport.exchange(RPM)
            took.append(transport.clock.now_s() - began_s > 0.05)
        assert took == [True, False, True, True, False]


class TestOpening:
    @pytest.fixture
    def opened(self, monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []

        def make(**options: Any) -> FakeBus:
            found.append(options)
            raise can.CanInitializationError("seen")

        monkeypatch.setattr(can, "Bus", make)
        return found

    @pytest.mark.parametrize(
        ("url", "options"),
        [
            ("can://socketcan/can0", {"channel": "can0"}),
            ("can://kvaser/0?bitrate=250000", {"channel": 0, "bitrate": 250_000}),
            (
                "can://slcan//dev/ttyACM0?bitrate=500000&tty_baudrate=115200",
                {"channel": "/dev/ttyACM0", "bitrate": 500_000, "tty_baudrate": 115_200},
            ),
            (
                "can://gs_usb/any?bitrate=500000&index=1",
                {"channel": "any", "bitrate": 500_000, "index": 1},
            ),
            (
                "can://udp_multicast/239.74.163.2",
                {"channel": "239.74.163.2", "fd": False, "hop_limit": 0},
            ),
            (
                "can://udp_multicast/239.74.163.2?hop_limit=1",
                {"channel": "239.74.163.2", "fd": False, "hop_limit": 1},
            ),
        ],
    )
    def test_the_url_alone_says_how(
        self, opened: list[dict[str, Any]], url: str, options: dict[str, Any]
    ) -> None:
        with pytest.raises(LinkOpenError):
            CanTransport(parse_url(url)).connect()
        named = {"interface": url.split("/")[2], "ignore_config": True}
        assert opened[0] == {**named, **options}

    @pytest.mark.parametrize(
        "url",
        [
            "can://socketcan/can0?index=1",
            "can://slcan/x?tty_baudrate=",
            f"can://vector/0?app_name={'x' * 101}",
            "can://virtual/x?bitrate=99999999",
        ],
    )
    def test_options_are_bounded_and_belong_to_the_interface(self, url: str) -> None:
        with pytest.raises(LinkOpenError) as caught:
            CanTransport(parse_url(url))
        assert caught.value.reason is OpenFailure.BAD_URL
        assert "can://" in caught.value.hint


@pytest.mark.parametrize("seed", range(40))
def test_whatever_arrives_is_an_outcome_in_bounded_time(plug_in: PlugIn, seed: int) -> None:
    chance = random.Random(seed)
    heads = ["", "0", "1", "10", "2", "21", "3", "30", "31", "F", "0441", "037F", "03410C"]

    def noise(_: str) -> list[tuple[float, str]]:
        frames = []
        for number in range(chance.randrange(200)):
            head = chance.choice(heads)
            text = head + chance.randbytes(8).hex()
            length = 2 * chance.randrange(9)
            source = chance.choice(["7E8", "7E8", "7E9", "7EF", "18DAF110", "123"])
            frames.append((number / 500, f"{source}#{text[:length]}"))
        return frames

    def always(sent: str) -> list[tuple[float, str]]:
        flow_control = sent.partition("#")[2].startswith("3")
        return [] if flow_control or "020100" in sent else noise(sent)

    transport, _ = plug_in({}, always=always)
    began_s = transport.clock.now_s()
    for request in (RPM, ONE, ERASE, Request(b"\x22" + bytes(30), "7E0"), Request(b"\x3e", "7B0")):
        exchange = transport.exchange(request)
        assert isinstance(exchange.outcome, Outcome)
        assert len(exchange.messages) <= 3 * MOST_MESSAGES
    assert transport.clock.now_s() - began_s < 5 * 2 * LONGEST_S
