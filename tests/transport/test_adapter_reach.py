"""An adapter that was set for a module hears the engine again, whatever it cannot do.

Commands and their order are common practice, from memory; identifiers follow ISO 15765-4, frames
ISO 15765-2, payloads ISO 14229-1 and ISO 14230-3.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.errors import LinkTimeoutError
from obdlog.model import Outcome, Request
from obdlog.transport.adapter_link import AdapterTransport
from tests.transport.settable_adapter import (
    BODY,
    BRAKES,
    ENGINE,
    LONG,
    RPM,
    WIDE,
    SettableAdapter,
    Unit,
    asks,
    connected,
    payloads,
)


class TestBackToTheEngine:
    WAYS = (
        ("ATCRA",),
        ("ATAR",),
        ("ATCF7E8", "ATCM7F8"),
        ("ATSP6",),
        ("ATZ",),
    )

    def test_it_is_heard_again_and_the_first_time_that_is_verified(self) -> None:
        transport, adapter = connected()
        transport.exchange(asks("1902AF", BRAKES))
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
        assert adapter.since("ATFCSM1") == [
            "1902AF", "ATSH7DF", "0100", "ATCRA", "0100", "ATFCSM0", "010C"
        ]  # fmt: skip
        transport.exchange(asks("1902AF", BRAKES))
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
        assert adapter.since("ATFCSM1") == ["1902AF", "ATCRA", "ATFCSM0", "ATSH7DF", "010C"]

    @pytest.mark.parametrize("how", ["refused", "ignored"])
    @pytest.mark.parametrize("broken", range(5))
    def test_whatever_works_is_found_and_remembered(self, how: str, broken: int) -> None:
        transport, adapter = connected()
        hurt = adapter.refuses if how == "refused" else adapter.ignores
        hurt += [c.removeprefix("AT") for way in self.WAYS[:broken] for c in way if c != "ATCRA"]
        real_set = adapter._set
        adapter._set = lambda text: (  # type: ignore[method-assign]
            real_set(text) if not (broken and text == "CRA") else "?" if how == "refused" else "OK"
        )
        if broken <= 3:
            # Selecting a protocol brings the default filter back only where that is the way.
            assert not any(c.startswith("SP") for c in hurt)
        real_select = adapter._set

        def select(text: str) -> str:
            if text == "SP6" and broken == 3:
                adapter.filter = None
            return real_select(text)

        adapter._set = select  # type: ignore[method-assign]
        for _ in range(2):
            assert payloads(transport, asks("3E00", BRAKES)) == [("7B8", "7E00")]
            assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
            assert adapter.hears == (0x7E8, 0x7F8)
        way = self.WAYS[broken]
        if broken < 4:
            assert adapter.sent.count(way[-1]) >= 2
            assert adapter.sent.count("ATZ") == 1
        transport.close()
        assert adapter.hears == (0x7E8, 0x7F8)

    def test_a_search_that_lets_the_engine_through_is_no_proof(self) -> None:
        # This adapter takes the command back to the default and does nothing.
        transport, adapter = connected()
        real_set = adapter._set
        adapter._set = lambda text: "OK" if text == "CRA" else real_set(text)  # type: ignore[method-assign]
        transport.exchange(asks("3E00", BODY, known=False))
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
        assert adapter.hears == (0x7E8, 0x7F8)
        transport.exchange(asks("3E00", BRAKES))
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]

    def test_a_car_gone_silent_ends_in_a_fresh_set_up(self) -> None:
        transport, adapter = connected()
        transport.exchange(asks("3E00", BRAKES))
        adapter.units = []
        before_s = adapter.time.now_s()
        assert transport.exchange(RPM).outcome is Outcome.NO_DATA
        assert adapter.hears == (0x7E8, 0x7F8)
        assert adapter.time.now_s() - before_s < 30

    @pytest.mark.parametrize("known", [True, False])
    def test_closing_leaves_it_hearing_the_engine(self, known: bool) -> None:
        transport, adapter = connected()
        transport.exchange(asks("3E00", BRAKES, known=known, wait_s=0.06))
        transport.close()
        assert adapter.hears == (0x7E8, 0x7F8)
        assert adapter.flow_mode == "0"
        assert (adapter.ticks, adapter.adaptive) == (0x32, "1")
        assert adapter.sent[-1] == "ATPC"
        assert adapter.closed == 1

    def test_ctrl_c_in_the_middle_of_a_module_does_too(self) -> None:
        transport, adapter = connected()
        transport.exchange(asks("3E00", BRAKES))
        real_write = adapter.write

        def write_then_interrupt(data: bytes) -> None:
            real_write(data)
            if data.startswith(b"1902"):
                adapter.interrupt_reads.append(KeyboardInterrupt())

        adapter.write = write_then_interrupt  # type: ignore[method-assign]
        with pytest.raises(KeyboardInterrupt):
            transport.exchange(asks("1902AF", BRAKES))
        transport.close()
        assert adapter.hears == (0x7E8, 0x7F8)

    def test_an_adapter_that_hangs_is_let_go_in_bounded_time(self) -> None:
        transport, adapter = connected()
        transport.exchange(asks("3E00", BRAKES))
        adapter._answer = lambda command: None  # type: ignore[method-assign]
        before_s = adapter.time.now_s()
        transport.close()
        assert adapter.closed == 1
        assert adapter.time.now_s() - before_s < 20

    def test_settings_lost_in_the_middle_are_made_again(self) -> None:
        transport, adapter = connected()
        adapter.restart_at = ["1902AF"]
        assert payloads(transport, asks("1902AF", BRAKES)) == [("7B8", LONG)]
        assert adapter.sent.count("ATFCSM1") == 2

    @pytest.mark.parametrize("command", ["ATSH7B0", "ATCRA7B8", "ATFCSH7B0", "ATFCSM1"])
    def test_and_in_the_middle_of_being_made(self, command: str) -> None:
        transport, adapter = connected()
        adapter.restart_at = [command]
        assert payloads(transport, asks("1902AF", BRAKES)) == [("7B8", LONG)]
        assert transport.capabilities["flow control of any module"]

    def test_one_that_restarts_at_each_is_given_up(self) -> None:
        transport, adapter = connected()
        adapter.restart_at = ["ATCRA7B8"] * 9
        with pytest.raises(LinkTimeoutError, match="again and again"):
            transport.exchange(asks("1902AF", BRAKES))


class TestLostAbilities:
    def test_without_any_filter_modules_are_out_of_reach_and_not_tried_again(self) -> None:
        transport, adapter = connected(refuses=["CRA", "CF", "CM"])
        exchange = transport.exchange(asks("3E00", BRAKES))
        assert exchange.outcome is Outcome.NO_DATA
        assert "cannot be told to listen to other modules" in exchange.note
        assert transport.capabilities["receive filter"] is False
        assert sum("whom to listen to" in loss for loss in transport.abilities.losses) == 1
        sent = len(adapter.sent)
        assert "cannot" in transport.exchange(asks("3E00", BODY)).note
        assert "cannot" in transport.exchange(asks("3E00", BODY, known=False)).note
        assert len(adapter.sent) <= sent + 5  # the range is tried once
        sent = len(adapter.sent)
        assert "cannot" in transport.exchange(asks("3E00", BRAKES, known=False)).note
        assert len(adapter.sent) == sent
        assert "3E00" not in adapter.sent
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]

    def test_the_older_commands_do_for_the_filter(self) -> None:
        transport, adapter = connected(refuses=["CRA", "AR"])
        assert payloads(transport, asks("1902AF", BRAKES)) == [("7B8", LONG)]
        assert payloads(transport, asks("3E00", BODY)) == [("77A", "7E00")]
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
        assert adapter.sent.count("ATCRA7B8") == 2
        assert "ATCRA77A" not in adapter.sent

    @pytest.mark.parametrize("refused", ["FCSH", "FCSD", "FCSM"])
    def test_without_flow_control_short_replies_come_and_the_note_says_so(
        self, refused: str
    ) -> None:
        transport, adapter = connected(refuses=[refused])
        exchange = transport.exchange(asks("3E00", BRAKES))
        assert [m.payload for m in exchange.messages] == [b"\x7e\x00"]
        assert "up to seven bytes" in exchange.note
        assert transport.capabilities["flow control of any module"] is False
        exchange = transport.exchange(asks("1902AF", BRAKES))
        assert exchange.outcome is Outcome.GARBLED
        assert "cannot" not in exchange.note
        assert adapter.sent.count("1902AF") == 1
        assert adapter.sent.count("ATFCSM1") <= 2
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]

    def test_an_adapter_that_addresses_no_module_still_hears_the_engine(self) -> None:
        transport, adapter = connected(refuses=["SH"])
        exchange = transport.exchange(asks("3E00", BRAKES))
        assert exchange.note == "this adapter cannot address 7B0"
        assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
        assert adapter.sent.count("ATZ") == 1

    def test_one_refusal_may_be_noise(self) -> None:
        transport, adapter = connected()
        real, once = adapter._set, ["CRA7B8", "FCSM1"]

        def set_it(text: str) -> str:
            if text in once:
                once.remove(text)
                return "?"
            return real(text)

        adapter._set = set_it  # type: ignore[method-assign]
        assert payloads(transport, asks("1902AF", BRAKES)) == [("7B8", LONG)]

    def test_answers_of_others_are_not_the_modules(self) -> None:
        transport, _ = connected(ENGINE, Unit("7B0", "7B9", {"3E00": "7E00"}))
        adapter_that_ignores = SettableAdapter(
            [ENGINE, Unit("7B0", "7B9", {"3E00": "7E00"})], traffic=["7C0027E00FFFFFFFFFF"]
        )
        adapter_that_ignores._passes = lambda line: True  # type: ignore[method-assign]
        transport = AdapterTransport(adapter_that_ignores)
        transport.connect()
        exchange = transport.exchange(asks("3E00", BRAKES))
        assert exchange.messages == ()
        assert exchange.outcome is Outcome.NO_DATA
        assert "of other modules left out" in exchange.note

    def test_an_adapter_without_waiting_time_still_searches(self) -> None:
        transport, adapter = connected(refuses=["ST", "AT"])
        assert payloads(transport, asks("3E00", BODY, known=False, wait_s=0.06)) == [
            ("77A", "7E00")
        ]
        assert adapter.sent.count("ATST0F") == 1

    def test_the_measurement_by_the_engine_tells_both_abilities(self) -> None:
        for refuses, expected in (
            ([], (True, True)),
            (["FCS"], (True, False)),
            (["CRA", "CF", "CM"], (False, None)),
        ):
            transport, adapter = connected(refuses=refuses)
            transport.measure_reach()
            can = transport.capabilities
            found = (can["receive filter"], can.get("flow control of any module"))
            assert found == expected
            assert adapter.hears == (0x7E8, 0x7F8)
            assert adapter.flow_mode == "0"
            assert payloads(transport, RPM) == [("7E8", "410C1AF8")]


@pytest.mark.parametrize(
    ("ignores", "obeys"), [([], True), (["CRA"], False), (["CRA", "CF", "CM"], False)]
)
def test_a_filter_that_lets_the_engine_through_all_the_same_is_noticed(
    ignores: list[str], obeys: bool
) -> None:
    transport, _ = connected(ignores=ignores)
    assert transport.obeys_filter
    transport.exchange(asks("3E00", BRAKES))
    assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
    assert transport.obeys_filter is obeys
    assert any("hears the engine all the same" in loss for loss in transport.abilities.losses) is (
        not obeys
    )


COMMANDS = (
    "SH7B0", "CRA7B8", "CRA", "AR", "CF", "CM", "CF7E8", "CM7F8", "FCSH", "FCSD", "FCSM1", "FCSM0",
    "FCSM", "ST", "AT0", "AT1", "SP6", "SP7", "TP7", "SP", "CP", "SH7DF",
)  # fmt: skip


@pytest.mark.parametrize("how", ["refuses", "ignores"])
@pytest.mark.parametrize("command", COMMANDS)
def test_no_command_that_fails_costs_the_engine(how: str, command: str) -> None:
    transport, adapter = connected(ENGINE, BRAKES, BODY, WIDE, both_widths=True)
    getattr(adapter, how).append(command)
    for request in (
        asks("1902AF", BRAKES),
        asks("3E00", BODY, known=False, wait_s=0.06),
        asks("1902AF", WIDE),
        asks("1902AF", BRAKES),
        asks("14FFFFFF", BRAKES),
    ):
        transport.exchange(request)
    assert adapter.sent.count("14FFFFFF") <= 1
    if command in ("SH7DF", "SP6", "SP") and how == "ignores":
        return  # nothing can be done where header or protocol only seem to go back
    for request in (RPM, asks("3E00", BRAKES), RPM):
        found = payloads(transport, request)
        assert request is not RPM or found == [("7E8", "410C1AF8")]
    transport.close()
    assert adapter.hears == (0x7E8, 0x7F8)
    assert adapter.closed == 1


PIECES = st.sampled_from(
    [
        b"7B8 02 7E 00\r", b"7B8105F5902", b"77A027E00\r", b"NO DATA\r", b"CAN ERROR\r",
        b"STOPPED\r", b"BUFFER FULL\r", b"<RX ERROR", b"7B8037F1978\r", b"7B8037F3E21\r", b"?\r",
        b">", b"\r",
        b"TEST100 v1.5\r", b"LV RESET\r", b"OK\r", b"7200102\r", b"UNABLE TO CONNECT\r",
    ]
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.one_of(PIECES, st.binary(max_size=12)), max_size=6),
    st.sampled_from(
        [
            asks("3E00", BRAKES),
            asks("3E00", BRAKES, known=False, wait_s=0.06),
            asks("14FFFFFF", BRAKES),
            asks("3E00", WIDE),
        ]
    ),
    st.integers(min_value=0, max_value=8),
)
def test_whatever_comes_the_exchange_ends_and_the_engine_is_heard(
    pieces: list[bytes], request: Request, at: int
) -> None:
    """The pieces come in place of the reply number `at` after connecting."""
    transport, adapter = connected()
    real, left = adapter._answer, [at]

    def hostile(command: str) -> None:
        left[0] -= 1
        if left[0] != -1:
            return real(command)
        adapter.sent.append(command)
        for number, piece in enumerate(pieces):
            adapter.say(piece, 0.01 * number)
        return None

    adapter._answer = hostile  # type: ignore[method-assign]
    before_s = adapter.time.now_s()
    exchange = transport.exchange(request)
    assert adapter.time.now_s() - before_s < 75
    assert adapter.sent.count("14FFFFFF") <= 1
    assert exchange.note.isprintable()
    # Whoever else is heard: what counts is from the module, or from the range.
    allowed = ("7B8", "unknown") if request.reply_from == "7B8" else None
    assert allowed is None or all(m.source in allowed for m in exchange.messages)
    left[0] = -1
    transport.exchange(RPM)
    assert payloads(transport, RPM) == [("7E8", "410C1AF8")]
    transport.close()
    assert adapter.hears == (0x7E8, 0x7F8)
