"""The adapter transport against a scripted adapter, in simulated time.

Texts of the AT dialect are common practice, no source; frames follow ISO 15765-2/-4, payloads
SAE J1979.
"""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from obdlog.errors import (
    AdapterError,
    LinkClosedError,
    LinkOpenError,
    LinkTimeoutError,
    NoAnswerError,
    OpenFailure,
)
from obdlog.model import Outcome, Request
from obdlog.transport.adapter_link import BUSY_TRIES, PENDING_TRIES, AdapterTransport
from obdlog.transport.conversation import Conversation
from tests.transport.fake_adapter import BANNER, FIRST, FakeAdapter, Script, said

RPM = Request(b"\x01\x0c")
ERASE = Request(b"\x04", purpose="erase")
RPM_LINE = "7E804410C1AF8"
PENDING = "7E8037F0178"


def connected(**script: Script | list[Script]) -> tuple[AdapterTransport, FakeAdapter]:
    adapter = FakeAdapter({name.removeprefix("_"): entry for name, entry in script.items()})
    transport = AdapterTransport(adapter)
    transport.connect()
    return transport, adapter


class TestConnect:
    def test_it_finds_the_protocol_and_the_identity(self) -> None:
        transport, _ = connected()
        assert transport.protocol is not None
        assert transport.protocol.number == "6"
        assert transport.identity == BANNER.decode()
        assert all(transport.capabilities.values())
        assert transport.voltage_v() == 12.4

    def test_it_never_sends_a_bare_carriage_return(self) -> None:
        transport, adapter = connected(_010C=None)
        transport.exchange(RPM)
        transport.close()
        assert "" not in adapter.sent

    @pytest.mark.parametrize(
        ("command", "ability"),
        [
            ("ATAT1", "adaptive timing"),
            ("ATS0", "no spaces"),
            ("ATRV", "voltage"),
            ("ATAL", "long messages"),
            ("ATST32", "waiting time"),
        ],
    )
    def test_a_command_it_does_not_know_costs_one_ability(self, command: str, ability: str) -> None:
        transport, _ = connected(**{command: b"?\r\r>"})
        assert [name for name, can in transport.capabilities.items() if not can] == [ability]
        assert len(transport.abilities.losses) == 1
        transport.voltage_v()
        assert transport.exchange(Request(b"\x01\x00")).outcome is Outcome.ANSWERED

    def test_without_headers_messages_have_no_source(self) -> None:
        transport, _ = connected(ATH1=b"?\r\r>", _0100=said("4100BE3EA813"))
        transport.connect()
        exchange = transport.exchange(Request(b"\x01\x00"))
        assert [m.source for m in exchange.messages] == ["unknown"]

    def test_an_adapter_without_restart_is_set_to_its_defaults(self) -> None:
        _, adapter = connected(ATZ=b"?\r\r>", ATWS=b"?\r\r>")
        assert "ATD" in adapter.sent

    @pytest.mark.parametrize(
        ("url", "first", "second"),
        [("/dev/ttyUSB0", "ATWS", "ATZ"), ("socket://h:1", "ATZ", "ATWS")],
    )
    def test_a_serial_link_prefers_the_restart_that_keeps_the_speed(
        self, url: str, first: str, second: str
    ) -> None:
        adapter = FakeAdapter({"ATWS": said(BANNER.decode())})
        adapter.url = url
        AdapterTransport(adapter).connect()
        assert first in adapter.sent
        assert second not in adapter.sent

    @pytest.mark.parametrize("tail", [b"\r\n", b">", b" \r>\x00"])
    def test_line_ends_after_the_prompt_cost_no_time(self, tail: bytes) -> None:
        transport, adapter = connected(_010C=said(RPM_LINE))
        adapter.say(tail)
        before_s = adapter.time.now_s()
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        assert adapter.time.now_s() - before_s < 0.03

    def test_one_that_was_busy_is_interrupted_first(self) -> None:
        adapter = FakeAdapter()
        adapter.say(b"7E8037F", after_s=5.0)
        AdapterTransport(adapter).connect()
        assert adapter.sent[0] == "TI"
        assert adapter.time.now_s() < 5.0

    def test_a_wanted_protocol_is_set(self) -> None:
        adapter = FakeAdapter()
        AdapterTransport(adapter, protocol="6").connect()
        assert "ATSP6" in adapter.sent
        assert "ATSP0" not in adapter.sent
        with pytest.raises(ValueError, match="protocol is"):
            AdapterTransport(adapter, protocol="J")

    @pytest.mark.parametrize(
        ("said_first", "said_why"),
        [
            (said("SEARCHING...", "UNABLE TO CONNECT"), "does not answer"),
            (said("NO DATA"), "does not answer"),
            (said("BUS INIT: ERROR"), "does not answer"),
            (said("CAN ERROR"), "does not answer"),
            (said("7E8064"), "does not answer"),
            (((0.1, b"SEARCHING..."),), "no protocol within"),
        ],
    )
    def test_a_car_that_does_not_answer(self, said_first: Script, said_why: str) -> None:
        adapter = FakeAdapter({"0100": said_first})
        with pytest.raises(NoAnswerError, match=said_why) as caught:
            AdapterTransport(adapter).connect()
        assert "ignition" in caught.value.hint
        assert adapter.time.now_s() < 60

    @pytest.mark.parametrize(
        "first",
        [
            said("SEARCHING...", "FB ERROR"),
            said("BUS INIT: ...ERROR"),
            said("?"),
            said("7E8"),
            said("~~"),
            said(""),
            said("ERR94"),
            said("LV RESET"),
            said("", BANNER.decode()),
        ],
    )
    def test_a_first_question_that_fails_once_is_asked_again(self, first: Script) -> None:
        transport, adapter = connected(_0100=[first, said(FIRST)])
        assert transport.protocol is not None
        assert adapter.sent.count("0100") == 2

    @pytest.mark.parametrize("first", [said("LV RESET"), said("", BANNER.decode())])
    def test_an_adapter_that_restarts_in_the_search_is_set_up_again(self, first: Script) -> None:
        adapter = FakeAdapter({"0100": [first, said(FIRST)]})
        AdapterTransport(adapter, protocol="6").connect()
        first_at = adapter.sent.index("0100")
        assert {"ATE0", "ATH1", "ATSP6"} <= set(adapter.sent[first_at:])

    @pytest.mark.parametrize("text", ["?", "OK", "ERR94", "LV RESET"])
    def test_what_no_car_can_cause_is_blamed_on_the_adapter(self, text: str) -> None:
        adapter = FakeAdapter({"0100": said(text)})
        with pytest.raises(AdapterError) as caught:
            AdapterTransport(adapter).connect()
        assert caught.value.exit_code == 3
        assert caught.value.hint

    def test_headers_that_are_accepted_and_not_printed_are_no_ability(self) -> None:
        transport, _ = connected(_0100=said("4100BE3EA813"))
        assert not transport.capabilities["headers"]
        assert any("who answered" in loss for loss in transport.abilities.losses)

    def test_a_search_may_take_long(self) -> None:
        pieces = ((0.1, b"SEARCHING"), *((float(n), b".") for n in range(1, 25, 6)))
        transport, adapter = connected(_0100=(*pieces, (26.0, said("", FIRST))))
        assert transport.protocol is not None
        assert adapter.time.now_s() > 26

    @pytest.mark.parametrize(
        ("line", "number"),
        [
            (FIRST, "6"),
            ("18DAF110064100BE3EA813", "7"),
            # Checksum by ISO 9141-2, the sum of all bytes modulo 256: 699 is 2BB.
            ("486B104100BE3EA813BB", "3"),
        ],
    )
    def test_an_unnamed_protocol_is_told_from_the_replies(self, line: str, number: str) -> None:
        transport, _ = connected(_0100=said(line), ATDPN=b"?\r\r>")
        assert transport.protocol is not None
        assert transport.protocol.number == number
        assert "taken from the replies" in transport.protocol.name

    @pytest.mark.parametrize(
        "script",
        [
            {"ATI": None},
            {"ATI": ((0.1, b"\x00\xff\xfe" * 20),)},
            {"ATI": ((0.1, b"login: "),)},
            {"ATZ": said("?"), "ATWS": said("?"), "ATD": said("?")},
            {"ATSP0": said("?"), "ATTP0": said("?")},
        ],
    )
    def test_what_is_not_an_adapter_is_named_so(self, script: dict[str, Script]) -> None:
        adapter = FakeAdapter(script)
        with pytest.raises(LinkOpenError) as caught:
            AdapterTransport(adapter).connect()
        assert caught.value.reason is OpenFailure.NOT_AN_ADAPTER
        assert caught.value.hint
        assert adapter.time.now_s() < 30

    def test_one_that_restarts_during_set_up_is_set_up_again(self) -> None:
        transport, adapter = connected(ATAL=[said("", BANNER.decode()), said("OK")])
        assert transport.capabilities["long messages"]
        assert adapter.sent.count("ATZ") == 1
        assert adapter.sent.count("ATE0") == 2

    def test_one_that_always_restarts_is_given_up(self) -> None:
        adapter = FakeAdapter({"ATAL": said("", BANNER.decode())})
        with pytest.raises(LinkTimeoutError, match="again and again"):
            AdapterTransport(adapter).connect()


class TestOutcomes:
    @pytest.mark.parametrize(
        ("answer", "outcome", "payloads"),
        [
            (said(RPM_LINE), Outcome.ANSWERED, ["410C1AF8"]),
            (said(RPM_LINE, "7E904410C1AF9"), Outcome.ANSWERED, ["410C1AF8", "410C1AF9"]),
            (said("NO DATA"), Outcome.NO_DATA, []),
            (said("7E8037F0112"), Outcome.REFUSED, ["7F0112"]),
            (said("7E8037F0112", "7E904410C1AF9"), Outcome.ANSWERED, ["7F0112", "410C1AF9"]),
            (said("CAN ERROR"), Outcome.GARBLED, []),
            (said("BUS ERROR"), Outcome.GARBLED, []),
            (said("UNABLE TO CONNECT"), Outcome.NO_DATA, []),
            (said("7E804410C1A <DATA ERROR"), Outcome.GARBLED, []),
            (said("<RX ERROR"), Outcome.GARBLED, []),
            (said("7E8044"), Outcome.GARBLED, []),
            (said("&%$ what"), Outcome.GARBLED, []),
            (said("?"), Outcome.GARBLED, []),
            (said(), Outcome.NO_DATA, []),
            (said("BUFFER FULL"), Outcome.GARBLED, []),
            (said(RPM_LINE, "BUFFER FULL"), Outcome.ANSWERED, ["410C1AF8"]),
            (b"\x00" + said(RPM_LINE), Outcome.ANSWERED, ["410C1AF8"]),
            (said("010C", RPM_LINE), Outcome.ANSWERED, ["410C1AF8"]),
        ],
    )
    def test_each_reply_has_one_meaning(
        self, answer: Script, outcome: Outcome, payloads: list[str]
    ) -> None:
        transport, adapter = connected(_010C=answer)
        exchange = transport.exchange(RPM)
        assert exchange.outcome is outcome
        assert [m.payload.hex().upper() for m in exchange.messages] == payloads
        assert adapter.sent_since_set_up().count("010C") <= 3
        assert exchange.wire[0].raw.startswith(b"010C")

    @pytest.mark.parametrize("line", ["7E804410D1AF8", "7E804420C001A", "7E8037F0912"])
    def test_a_message_that_answers_something_else_is_left_out_with_a_note(self, line: str) -> None:
        transport, _ = connected(_010C=said(line))
        exchange = transport.exchange(RPM)
        assert exchange.messages == ()
        assert exchange.outcome is Outcome.GARBLED
        assert "answer something else" in exchange.note
        transport, _ = connected(_010C=said(line, RPM_LINE))
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED

    @pytest.mark.parametrize(
        "first",
        [
            said("STOPPED"),
            said("BUFFER FULL"),
            said("<RX ERROR"),
            said("BUS BUSY"),
            said("7E804410C <DATA ERROR"),
            said("7E804410C1"),
            said("?"),
            said("", BANNER.decode()),
            said("LV RESET"),
            said("ERR94"),
            ((0.01, b"7E804410C"),),
            None,
        ],
    )
    def test_a_harmless_request_is_asked_again_after_damage(self, first: Script) -> None:
        transport, adapter = connected(_010C=[first, said(RPM_LINE)])
        exchange = transport.exchange(RPM)
        assert exchange.outcome is Outcome.ANSWERED
        assert exchange.note
        assert adapter.sent_since_set_up().count("010C") == 2

    @pytest.mark.parametrize(
        ("answer", "outcome"),
        [
            (said("7E80144"), Outcome.ANSWERED),
            (said("7E8037F0478", "7E80144"), Outcome.ANSWERED),
            (said("7E8037F0478"), Outcome.TIMEOUT),
            (said("7E8037F0421"), Outcome.REFUSED),
            (said("7E8037F0422"), Outcome.REFUSED),
            (said("NO DATA"), Outcome.NO_DATA),
            (said("STOPPED"), Outcome.GARBLED),
            (said("BUFFER FULL"), Outcome.GARBLED),
            (said("<RX ERROR"), Outcome.GARBLED),
            (said("", BANNER.decode()), Outcome.LOST),
            (said("LV RESET"), Outcome.LOST),
            (None, Outcome.TIMEOUT),
            (((0.1, b"7E80"),), Outcome.GARBLED),
        ],
    )
    def test_an_erase_is_sent_once_whatever_comes(self, answer: Script, outcome: Outcome) -> None:
        transport, adapter = connected(_04=answer)
        assert transport.exchange(ERASE).outcome is outcome
        assert adapter.sent_since_set_up().count("04") == 1

    def test_an_erase_waits_patiently_and_restores_the_timing(self) -> None:
        transport, adapter = connected(_04=((9.0, said("7E80144")),))
        assert transport.exchange(ERASE).outcome is Outcome.ANSWERED
        assert adapter.sent_since_set_up() == ["ATAT0", "ATSTFF", "04", "ATST32", "ATAT1"]

    def test_an_erase_still_being_worked_on_is_given_its_time(self) -> None:
        # ISO 15765-4: after "response pending" the answer may take P2*CAN_max, 5 s.
        transport, adapter = connected(_04=said("7E8037F0478"))
        before_s = adapter.time.now_s()
        transport.exchange(ERASE)
        assert adapter.time.now_s() - before_s > 5.0

    def test_a_restart_just_before_an_erase_is_mended_before_it(self) -> None:
        restart = said("", BANNER.decode())
        transport, adapter = connected(ATSTFF=[restart, said("OK")], _04=said("7E80144"))
        assert transport.exchange(ERASE).outcome is Outcome.ANSWERED
        sent = adapter.sent_since_set_up()
        assert sent.index("ATH1") < sent.index("04")
        assert sent[sent.index("04") - 1] == "ATSTFF"

    def test_an_erase_that_was_answered_counts_though_the_link_dies_after(self) -> None:
        gone = LinkClosedError("unplugged")
        transport, _ = connected(_04=said("7E80144"), ATST32=[said("OK"), gone])
        assert transport.exchange(ERASE).outcome is Outcome.ANSWERED
        with pytest.raises(LinkClosedError):
            transport.exchange(RPM)

    def test_promises_without_end_are_not_waited_for_without_end(self) -> None:
        hostile = ((0.01, b"SEARCHING..."), (0.01, b"7E8037F0121\r7E8037F0178\r"))
        transport, adapter = connected(_010C=hostile)
        before_s = adapter.time.now_s()
        assert transport.exchange(RPM).outcome is Outcome.TIMEOUT
        assert adapter.time.now_s() - before_s < 60

    def test_an_adapter_that_swallows_every_request_is_given_up(self) -> None:
        transport, adapter = connected(_010C=None)
        before_s = adapter.time.now_s()
        assert transport.exchange(RPM).outcome is Outcome.TIMEOUT
        assert transport.exchange(RPM).outcome is Outcome.TIMEOUT
        with pytest.raises(LinkTimeoutError, match="does not finish"):
            transport.exchange(ERASE)
        assert "04" not in adapter.sent
        assert adapter.time.now_s() - before_s < 60

    def test_a_guessed_protocol_is_searched_for_again_after_a_restart(self) -> None:
        # The bit rate cannot be told from the replies.
        transport, adapter = connected(ATDPN=said("?"), _010C=[said("LV RESET"), said(RPM_LINE)])
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        assert "ATSP0" in adapter.sent_since_set_up()

    def test_pending_that_is_followed_up_in_the_same_reply_is_left_out(self) -> None:
        transport, _ = connected(_010C=said(PENDING, PENDING, RPM_LINE))
        exchange = transport.exchange(RPM)
        assert [m.payload.hex().upper() for m in exchange.messages] == ["410C1AF8"]
        assert exchange.note == ""

    def test_pending_alone_is_asked_again_a_bounded_number_of_times(self) -> None:
        transport, adapter = connected(_010C=[said(PENDING), said(PENDING), said(RPM_LINE)])
        before_s = adapter.time.now_s()
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        assert adapter.time.now_s() - before_s > 2.0
        transport, adapter = connected(_010C=said(PENDING))
        assert transport.exchange(RPM).outcome is Outcome.TIMEOUT
        assert adapter.sent_since_set_up().count("010C") == 1 + PENDING_TRIES

    def test_an_adapter_waits_its_longest_for_what_was_promised(self) -> None:
        # ISO 15765-4: up to 5 s after "response pending"; adapters may go on waiting as before.
        transport, adapter = connected(_010C=[said(PENDING), said(RPM_LINE), said(RPM_LINE)])
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        sent = adapter.sent_since_set_up()
        assert sent == ["010C", "ATAT0", "ATSTFF", "010C", "ATST32", "ATAT1", "010C"]

    def test_busy_is_asked_again_a_bounded_number_of_times(self) -> None:
        transport, adapter = connected(_010C=[said("7E8037F0121"), said(RPM_LINE)])
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        transport, adapter = connected(_010C=said("7E8037F0121"))
        assert transport.exchange(RPM).outcome is Outcome.REFUSED
        assert adapter.sent_since_set_up().count("010C") == 1 + BUSY_TRIES

    def test_a_multi_frame_answer_of_two_modules_comes_whole(self) -> None:
        # ISO 15765-2 first and consecutive frames, interleaved.
        transport, _ = connected(
            _0904=said(
                "7E81013490401584D50",
                "7E91013490401595A31",
                "7E82130303131323233",
                "7E92130303131323233",
                "7E82233343400000000",
                "7E92233343400000000",
            )
        )
        exchange = transport.exchange(Request(b"\x09\x04"))
        assert [(m.source, m.payload[:6].hex().upper()) for m in exchange.messages] == [
            ("7E8", "490401584D50"),
            ("7E9", "490401595A31"),
        ]
        assert {len(m.payload) for m in exchange.messages} == {0x13}

    def test_each_message_has_the_time_its_last_line_came(self) -> None:
        pieces = ((0.03, b"7E804410C1AF8\r"), (0.08, b"7E904410C1AF9\r"), (0.3, b"\r>"))
        transport, adapter = connected(_010C=pieces)
        at_s = adapter.time.now_s()
        exchange = transport.exchange(RPM)
        assert exchange.at_s == at_s
        assert [round(m.after_s, 3) for m in exchange.messages] == [0.03, 0.08]

    def test_a_reply_to_a_request_asked_again_has_the_time_it_came(self) -> None:
        transport, adapter = connected(_010C=[None, said(RPM_LINE)])
        at_s = adapter.time.now_s()
        exchange = transport.exchange(RPM)
        assert exchange.at_s == at_s
        came_s = exchange.at_s + exchange.messages[0].after_s
        assert came_s == pytest.approx(adapter.time.now_s(), abs=0.001)
        assert came_s - at_s > 1.0

    def test_a_reply_may_come_byte_by_byte(self) -> None:
        text = said(RPM_LINE)
        pieces = tuple((0.01 * n, text[n : n + 1]) for n in range(len(text)))
        transport, _ = connected(_010C=pieces)
        assert transport.exchange(RPM).messages[0].payload == bytes.fromhex("410C1AF8")

    def test_a_flood_is_bounded(self) -> None:
        transport, adapter = connected(_010C=tuple((0.0, b"A" * 10_000) for _ in range(20)))
        assert transport.exchange(RPM).outcome is Outcome.GARBLED
        assert adapter.time.now_s() < 120

    def test_an_endless_dribble_is_bounded_in_time(self) -> None:
        dribble = tuple((float(n), b"7") for n in range(1, 2000))
        transport, adapter = connected(_010C=dribble)
        transport.exchange(RPM)
        assert adapter.time.now_s() < 150


class TestAddressing:
    def test_a_header_is_sent_when_the_target_changes(self) -> None:
        transport, adapter = connected(_010C=said(RPM_LINE))
        for target in ("7E0", "7E0", "functional"):
            transport.exchange(Request(b"\x01\x0c", target))
        assert adapter.sent_since_set_up() == ["ATSH7E0", "010C", "010C", "ATSH7DF", "010C"]

    def test_an_adapter_that_cannot_says_so_in_a_note(self) -> None:
        transport, adapter = connected(ATSH7E0=b"?\r\r>")
        exchange = transport.exchange(Request(b"\x01\x0c", "7E0"))
        assert exchange.outcome is Outcome.NO_DATA
        assert exchange.note == "this adapter cannot address 7E0"
        assert "010C" not in adapter.sent_since_set_up()

    def test_asking_before_connecting_is_misuse(self) -> None:
        with pytest.raises(ValueError, match="connect first"):
            AdapterTransport(FakeAdapter()).exchange(RPM)


class TestRestart:
    def test_one_between_two_requests_is_noticed_before_the_next(self) -> None:
        transport, adapter = connected(_010C=said(RPM_LINE))
        transport.exchange(Request(b"\x01\x0c", "7E0"))
        adapter.say(b"\r\rLV RESET\r\r>")
        exchange = transport.exchange(Request(b"\x01\x0c", "7E0"))
        assert exchange.outcome is Outcome.ANSWERED
        after = adapter.sent_since_set_up()[2:]
        assert after.index("ATH1") < after.index("ATSP6") < after.index("ATSH7E0")
        assert after[-1] == "010C"
        assert "ATZ" not in after


class TestReplyCount:
    def test_the_digit_goes_with_harmless_requests_and_is_dropped_when_it_costs_a_reply(
        self,
    ) -> None:
        transport, adapter = connected(
            _010C1=[said(RPM_LINE), said("?")], _010C=said(RPM_LINE), _04=said("7E80144")
        )
        transport.reply_count = 1
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        transport.exchange(ERASE)
        assert "04" in adapter.sent
        assert transport.exchange(RPM).outcome is Outcome.ANSWERED
        assert transport.reply_count is None
        assert adapter.sent[-2:] == ["010C1", "010C"]


class TestTrouble:
    def test_an_adapter_that_stays_silent_is_a_timeout(self) -> None:
        transport, adapter = connected(ATI=[BANNER + b"\r\r>", BANNER + b"\r\r>", None], _010C=None)
        before_s = adapter.time.now_s()
        with pytest.raises(LinkTimeoutError, match="stopped talking") as caught:
            transport.exchange(RPM)
        assert caught.value.hint
        assert adapter.time.now_s() - before_s < 15

    def test_a_request_may_bring_its_own_patience(self) -> None:
        transport, adapter = connected(_010C=None)
        before_s = adapter.time.now_s()
        transport.exchange(Request(b"\x01\x0c", timeout_s=0.5))
        assert adapter.time.now_s() - before_s < 6

    def test_a_link_that_goes_away_is_said_at_once(self) -> None:
        transport, _ = connected(_010C=LinkClosedError("unplugged"))
        with pytest.raises(LinkClosedError):
            transport.exchange(RPM)
        transport.close()

    def test_the_voltage_may_be_missing(self) -> None:
        transport, _ = connected(ATRV=[b"12.4V\r\r>", b"odd\r\r>", b"\r>"])
        assert transport.voltage_v() is None
        assert transport.voltage_v() is None


class TestClose:
    def test_it_ends_the_talk_with_the_car_and_lets_go_once(self) -> None:
        transport, adapter = connected()
        transport.close()
        transport.close()
        assert adapter.sent[-1] == "ATPC"
        assert adapter.closed == 1

    def test_ctrl_c_in_the_middle_still_leaves_the_adapter_at_its_prompt(self) -> None:
        transport, adapter = connected(_010C=((3.0, said(RPM_LINE)),))
        # The first read looks for what came unasked.
        adapter.interrupt_reads.extend([KeyboardInterrupt()])
        with pytest.raises(KeyboardInterrupt):
            transport.exchange(RPM)
        before_s = adapter.time.now_s()
        transport.close()
        assert adapter.time.now_s() - before_s < 10
        assert adapter.closed == 1

    def test_ctrl_c_while_waiting_interrupts_the_adapter(self) -> None:
        transport, adapter = connected(_010C=((3.0, said(RPM_LINE)),))
        real_write = adapter.write

        def write_then_interrupt(data: bytes) -> None:
            real_write(data)
            if data.startswith(b"010C"):
                adapter.interrupt_reads.append(KeyboardInterrupt())

        adapter.write = write_then_interrupt  # type: ignore[method-assign]
        with pytest.raises(KeyboardInterrupt):
            transport.exchange(RPM)
        transport.close()
        assert adapter.sent_since_set_up()[-2:] == ["TI", "ATPC"]

    def test_closing_a_dead_or_hung_adapter_is_bounded(self) -> None:
        transport, adapter = connected(_010C=LinkClosedError("unplugged"))
        with pytest.raises(LinkClosedError):
            transport.exchange(RPM)
        transport.close()
        assert adapter.closed == 1
        transport, adapter = connected(ATPC=None)
        before_s = adapter.time.now_s()
        transport.close()
        assert adapter.time.now_s() - before_s < 10
        assert adapter.closed == 1


def test_what_a_module_said_of_an_erase_outlives_the_adapters_silence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def silent(_: Conversation) -> None:
        raise LinkTimeoutError("the adapter stopped talking")

    # The answer comes without a prompt, and from then on the adapter says nothing at all.
    transport, adapter = connected(_04=((0.05, b"7E80144\r"),))
    monkeypatch.setattr(Conversation, "recover", silent)
    exchange = transport.exchange(ERASE)
    assert [m.payload for m in exchange.positive()] == [b"\x44"]
    assert adapter.sent.count("04") == 1


TEXTS = st.sampled_from(
    [
        b"7E8 04 41 0C 1A F8\r", b"7E8104", b"18DAF110", b"486B10410C", b"NO DATA", b"SEARCHING...",
        b"STOPPED", b"BUFFER FULL", b"<DATA ERROR", b"7E8037F0178\r", b"7E8037F0121\r", b"?", b">",
        b"\r", b"\x00", b"TEST100 v1.5\r", b"LV RESET\r", b"0:", b"014\r", b"7F", b"ERR12",
    ]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@example([b"TEST100 v1.5\r", b">", b"", b"7E8 04 41 0C 1A F8\r"], RPM)  # a read that ends early
@example([b"7E8037F0178\r", b">", b"TEST100 v1.5\r"], RPM)  # restarts after every reply
@given(
    st.lists(st.one_of(TEXTS, st.binary(max_size=12)), max_size=8),
    st.sampled_from([RPM, ERASE, Request(b"\x09\x02", "7E0"), Request(b"\x03")]),
)
def test_whatever_an_adapter_says_is_an_exchange_in_bounded_time(
    pieces: list[bytes], request: Request
) -> None:
    hostile: Script = tuple((0.01 * n, piece) for n, piece in enumerate(pieces))
    transport, adapter = connected(_010C=hostile, _04=hostile, _0902=hostile, _03=hostile)
    before_s = adapter.time.now_s()
    exchange = transport.exchange(request)
    assert exchange.request is request
    assert all(m.payload for m in exchange.messages)
    assert exchange.note.isprintable()
    assert adapter.time.now_s() - before_s < 75
    assert adapter.sent.count(request.payload.hex().upper()) <= (1 if request is ERASE else 9)
