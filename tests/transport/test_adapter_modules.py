"""Modules of any address through an adapter: one of them, and the search for them.

Commands and their order are common practice, from memory; identifiers follow ISO 15765-4, frames
ISO 15765-2, payloads ISO 14229-1 and ISO 14230-3.
"""

from __future__ import annotations

import pytest

from obdlog.model import EcuMessage, Outcome, Request
from tests.transport.fake_adapter import said
from tests.transport.settable_adapter import (
    BODY,
    BRAKES,
    ENGINE,
    ENGINE_29,
    KILOBYTE,
    LONG,
    ODD_29,
    RPM,
    WIDE,
    Unit,
    asks,
    connected,
    payloads,
)


class TestOneModule:
    def test_header_filter_and_flow_control_are_set_once_in_an_order_that_works(self) -> None:
        transport, adapter = connected()
        assert payloads(transport, asks("1902AF", BRAKES)) == [("7B8", LONG)]
        assert payloads(transport, asks("3E00", BRAKES)) == [("7B8", "7E00")]
        assert adapter.since() == [
            "ATSH7B0", "ATCRA7B8", "ATFCSH7B0", "ATFCSD300000", "ATFCSM1", "1902AF", "3E00"
        ]  # fmt: skip

    def test_the_next_module_takes_only_what_differs(self) -> None:
        transport, adapter = connected()
        transport.exchange(asks("1902AF", BRAKES))
        assert payloads(transport, asks("1902AF", BODY)) == [("77A", "7F197F")]
        assert adapter.since("1902AF") == []
        assert adapter.since("ATFCSM1") == ["1902AF", "ATSH710", "ATCRA77A", "ATFCSH710", "1902AF"]

    def test_a_kilobyte_arrives_whole(self) -> None:
        long = Unit("7B0", "7B8", {"1902AF": KILOBYTE})
        transport, adapter = connected(ENGINE, long)
        assert payloads(transport, asks("1902AF", long)) == [("7B8", KILOBYTE)]
        assert adapter.flow_controls == ["7B0"]

    @pytest.mark.parametrize("target", ["7E0", "7E7"])
    def test_legislated_modules_need_only_the_header(self, target: str) -> None:
        transport, adapter = connected()
        transport.exchange(Request(b"\x01\x0c", target))
        assert adapter.since() == [f"ATSH{target}", "010C"]

    def test_normal_fixed_addresses_need_only_the_header(self) -> None:
        transport, adapter = connected(ENGINE_29, WIDE, number="7")
        assert payloads(transport, asks("1902AF", WIDE)) == [("18DAF128", LONG)]
        assert payloads(transport, asks("1902AF", WIDE, known=False)) == [("18DAF128", LONG)]
        assert adapter.since() == ["ATSHDA28F1", "ATCP18", "1902AF", "1902AF"]

    def test_other_29_bit_addresses_need_all(self) -> None:
        transport, adapter = connected(ENGINE_29, ODD_29, number="7")
        adapter.units = [ENGINE_29, Unit("18BCDEF1", "1ABCF1DE", ODD_29.table)]
        request = Request(b"\x19\x02\xaf", "18BCDEF1", reply_from="1ABCF1DE")
        assert payloads(transport, request) == [("1ABCF1DE", LONG)]
        assert payloads(transport, RPM) == [("18DAF110", "410C1AF8")]
        assert {"ATCRA1ABCF1DE", "ATFCSH18BCDEF1"} <= set(adapter.since())

    def test_an_erase_of_one_module_is_sent_once_and_waited_for(self) -> None:
        transport, adapter = connected()
        assert payloads(transport, asks("14FFFFFF", BRAKES)) == [("7B8", "54")]
        assert adapter.since("ATFCSM1") == ["ATAT0", "ATSTFF", "14FFFFFF", "ATST32", "ATAT1"]

    @pytest.mark.parametrize("command", ["ATSH7B0", "ATCRA7B8", "ATFCSM1", "ATSTFF"])
    def test_an_erase_never_goes_out_with_settings_lost(self, command: str) -> None:
        transport, adapter = connected()
        adapter.restart_at = [command]
        sent_with: list[tuple[str, str]] = []
        real = adapter._ask

        def noted(text: str) -> list[str]:
            sent_with.append((text, adapter.header))
            return real(text)

        adapter._ask = noted  # type: ignore[method-assign]
        assert payloads(transport, asks("14FFFFFF", BRAKES)) == [("7B8", "54")]
        assert [s for s in sent_with if s[0].startswith("14")] == [("14FFFFFF", "7B0")]

    def test_a_banner_that_comes_unasked_before_an_erase_is_noticed(self) -> None:
        transport, adapter = connected()
        transport.exchange(asks("3E00", BRAKES))
        adapter._restart()
        adapter.say(b"\r\rLV RESET\r\r>")
        assert payloads(transport, asks("14FFFFFF", BRAKES)) == [("7B8", "54")]
        assert adapter.header == "7B0"

    def test_pending_and_busy_are_waited_for_as_with_the_engine(self) -> None:
        busy = Unit("7B0", "7B8", {"1902AF": "7F1921", "1904": ["7F1978", "5904"]})
        transport, adapter = connected(ENGINE, busy)
        assert transport.exchange(asks("1902AF", busy)).outcome is Outcome.REFUSED
        assert adapter.sent.count("1902AF") == 4
        assert payloads(transport, asks("1904", busy)) == [("7B8", "5904")]

    def test_the_count_digit_is_kept_for_requests_to_all(self) -> None:
        transport, adapter = connected()
        transport.reply_count = 1
        transport.exchange(asks("3E00", BRAKES))
        transport.exchange(Request(b"\x01\x0c", "7E0"))
        transport.exchange(asks("3E00", BODY, known=False))
        assert {"3E00", "010C"} <= set(adapter.since())
        assert not {"3E001", "010C1"} & set(adapter.since())

    def test_a_request_of_several_frames_is_misuse(self) -> None:
        transport, _ = connected()
        with pytest.raises(ValueError, match="one CAN frame"):
            transport.exchange(Request(bytes(8), "7B0", reply_from="7B8"))

    @pytest.mark.parametrize(
        ("target", "reply_from", "said_so"),
        [
            ("7B0", "18DAF110", "address"),
            ("7B0", "zz8", "address"),
            ("1ABCDEF0", None, "name it"),
            ("FFF", None, "11-bit"),
            ("7B", None, "11|29|address"),
        ],
    )
    def test_addresses_that_do_not_fit(
        self, target: str, reply_from: str | None, said_so: str
    ) -> None:
        transport, _ = connected()
        with pytest.raises(ValueError, match=said_so):
            transport.exchange(Request(b"\x3e\x00", target, reply_from=reply_from))


class TestSearch:
    def test_whoever_answers_is_reported(self) -> None:
        transport, adapter = connected()
        exchange = transport.exchange(asks("3E00", BODY, known=False, wait_s=0.06))
        assert exchange.messages == (EcuMessage("77A", b"\x7e\x00", exchange.messages[0].after_s),)
        exchange = transport.exchange(asks("22F190", BODY, known=False, wait_s=0.06))
        assert [m.source for m in exchange.refusals()] == ["77A"]
        assert adapter.since() == [
            "ATSH710", "ATCF700", "ATCM700", "ATAT0", "ATST0F", "3E00", "22F190"
        ]  # fmt: skip

    def test_each_address_costs_a_header_and_a_request(self) -> None:
        transport, adapter = connected()
        for number in range(0x700, 0x720):
            request = Request(b"\x3e\x00", f"{number:03X}", wait_s=0.06)
            found = transport.exchange(request).messages
            assert bool(found) == (number == 0x710)
        assert len(adapter.since()) == 2 * 32 + 4
        before_s = adapter.time.now_s()
        transport.exchange(Request(b"\x3e\x00", "720", wait_s=0.06))
        assert adapter.time.now_s() - before_s < 0.15

    def test_the_usual_waiting_time_comes_back_with_the_next_request(self) -> None:
        transport, adapter = connected()
        transport.exchange(asks("3E00", BODY, known=False, wait_s=0.06))
        assert (adapter.ticks, adapter.adaptive) == (0x0F, "0")
        transport.exchange(asks("1902AF", BODY))
        assert (adapter.ticks, adapter.adaptive) == (0x32, "1")

    TRAFFIC = ("7200102030405060708", "73F2155", "7011F")

    def test_traffic_in_the_range_is_no_damaged_reply(self) -> None:
        transport, _ = connected(traffic=self.TRAFFIC)
        exchange = transport.exchange(Request(b"\x3e\x00", "702", wait_s=0.06))
        assert (exchange.outcome, exchange.messages) == (Outcome.NO_DATA, ())
        assert not exchange.damaged
        assert exchange.note == ""
        exchange = transport.exchange(asks("3E00", BODY, known=False))
        assert [m.source for m in exchange.messages] == ["77A"]
        assert not exchange.damaged

    @pytest.mark.parametrize(
        ("line", "outcome", "damaged"),
        [
            ("72003AABB <RX ERROR", Outcome.NO_DATA, False),
            ("77A027E <RX ERROR", Outcome.GARBLED, True),
            ("77A10097E00010203", Outcome.GARBLED, True),
            ("77A037F3E11", Outcome.REFUSED, False),
            ("77A037F2211", Outcome.NO_DATA, False),
            ("6FF027E00", Outcome.NO_DATA, False),
            ("zz", Outcome.NO_DATA, False),
        ],
    )
    def test_each_line_has_one_meaning(self, line: str, outcome: Outcome, damaged: bool) -> None:
        transport, adapter = connected()
        adapter._ask = lambda text: [line]  # type: ignore[method-assign]
        exchange = transport.exchange(asks("3E00", BODY, known=False))
        assert (exchange.outcome, exchange.damaged) == (outcome, damaged)

    @pytest.mark.parametrize("endless", [True, False])
    def test_a_flood_is_bounded_and_then_one_address_is_listened_to(self, endless: bool) -> None:
        transport, adapter = connected()
        real = adapter._answer

        def flooded(command: str) -> None:
            wide = adapter.filter == (0x700, 0x700)
            if command != "3E00" or not wide:
                return real(command)
            adapter.sent.append(command)
            if not endless:
                return adapter.say(said(*self.TRAFFIC * 5, "BUFFER FULL"), 0.02)
            for n in range(400):
                adapter.say(b"7200102030405060708\r", 0.05 * n)
            return None

        adapter._answer = flooded  # type: ignore[method-assign]
        before_s = adapter.time.now_s()
        for target in ("700", "701", "702", "703", "704", "705", "706"):
            exchange = transport.exchange(Request(b"\x3e\x00", target, wait_s=0.06))
            assert exchange.messages == ()
        assert adapter.time.now_s() - before_s < 15
        exchange = transport.exchange(asks("3E00", BRAKES, known=False, wait_s=0.06))
        assert [m.source for m in exchange.messages] == ["7B8"]
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]

    def test_an_adapter_without_ranges_listens_to_the_usual_address(self) -> None:
        transport, _ = connected(refuses=["CF", "CM", "CRA7XX"])
        assert payloads(transport, asks("3E00", BRAKES, known=False)) == [("7B8", "7E00")]
        assert transport.exchange(asks("3E00", BODY, known=False)).outcome is Outcome.NO_DATA
        note = transport.exchange(Request(b"\x3e\x00", "7FC", wait_s=0.06)).note
        assert "cannot listen to a range" in note
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]

    def test_whoever_says_pending_or_busy_is_found(self) -> None:
        for answer in ("7F3E78", "7F3E21"):
            transport, adapter = connected(ENGINE, Unit("710", "77A", {"3E00": answer}))
            exchange = transport.exchange(asks("3E00", BODY, known=False))
            assert [m.source for m in exchange.messages] == ["77A"]
            assert adapter.sent.count("3E00") == 1


class TestOtherWidth:
    def test_the_protocol_is_changed_and_changed_back(self) -> None:
        transport, adapter = connected(ENGINE, BRAKES, WIDE, both_widths=True)
        transport.exchange(asks("3E00", BRAKES))
        assert payloads(transport, asks("1902AF", WIDE)) == [("18DAF128", LONG)]
        assert payloads(transport, asks("1902AF", BRAKES)) == [("7B8", LONG)]
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
        selected = [c for c in adapter.since() if c.startswith("ATSP")]
        assert selected == ["ATSP7", "ATSP6"]
        transport.close()
        assert adapter.stored == "0"
        assert adapter.hears == (0x7E8, 0x7F8)

    def test_a_29_bit_car_with_an_11_bit_module(self) -> None:
        transport, adapter = connected(ENGINE_29, BRAKES, number="9", both_widths=True)
        assert payloads(transport, asks("1902AF", BRAKES)) == [("7B8", LONG)]
        assert payloads(transport, RPM) == [("18DAF110", "410C1AF8")]
        assert [c for c in adapter.since() if c.startswith("ATSP")] == ["ATSP8", "ATSP9"]
        assert payloads(transport, asks("3E00", BRAKES, known=False)) == [("7B8", "7E00")]
        transport.close()
        assert adapter.stored == "0"

    @pytest.mark.parametrize("said_there", ["NO DATA", "CAN ERROR", "UNABLE TO CONNECT"])
    def test_silence_there_is_no_lost_car(self, said_there: str) -> None:
        transport, adapter = connected(ENGINE, wrong_bus=said_there)
        exchange = transport.exchange(asks("3E00", WIDE, known=False, wait_s=0.06))
        assert exchange.outcome is Outcome.NO_DATA
        assert adapter.sent.count("3E00") == 1
        assert ("cannot be used" in exchange.note) == (said_there != "NO DATA")
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]

    def test_the_command_that_does_not_store_will_do(self) -> None:
        transport, adapter = connected(ENGINE, WIDE, both_widths=True)
        adapter.refuses = ["SP"]
        assert payloads(transport, asks("1902AF", WIDE)) == [("18DAF128", LONG)]
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
        assert "ATTP7" in adapter.sent

    def test_an_adapter_that_cannot_change_says_so_once(self) -> None:
        transport, adapter = connected(ENGINE, WIDE, refuses=["SP7", "TP7"], both_widths=True)
        assert "cannot change" in transport.exchange(asks("1902AF", WIDE)).note
        sent = len(adapter.sent)
        assert "cannot change" in transport.exchange(asks("1902AF", WIDE)).note
        assert len(adapter.sent) == sent
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]

    def test_a_bus_whose_bit_rate_was_guessed_is_left_alone(self) -> None:
        transport, adapter = connected(ENGINE, WIDE, refuses=["DPN"], both_widths=True)
        exchange = transport.exchange(asks("1902AF", WIDE))
        assert exchange.outcome is Outcome.NO_DATA
        assert "bit rate" in exchange.note
        assert "1902AF" not in adapter.sent
