"""Finding the protocol and the generation of OBD through an adapter.

That SAE J1979-2 runs on ISO 15765-4 and answers 22 F400 and 22 F810 where SAE J1979 answers 01 00
is from public descriptions; what an adapter says in a search is common practice, no source.
"""

from __future__ import annotations

import pytest

from obdlog.errors import LinkTimeoutError, NoAnswerError
from obdlog.model import Generation, Outcome, Request
from obdlog.transport.adapter_link import AdapterTransport
from tests.transport.fake_adapter import FIRST, FakeAdapter, Script, said
from tests.transport.settable_adapter import SettableAdapter, Unit

F400 = "7E80762F40098180001"


def unit(address: str, **table: str) -> Unit:
    request = {"7E8": "7E0", "18DAF110": "18DA10F1"}[address]
    return Unit(request, address, {k.strip("_"): v for k, v in table.items()}, functional=True)


def connect(adapter: FakeAdapter, protocol: str = "0") -> AdapterTransport:
    transport = AdapterTransport(adapter, protocol=protocol)
    transport.connect()
    return transport


def test_a_classic_car_costs_no_extra_request() -> None:
    adapter = FakeAdapter()
    transport = connect(adapter)
    assert transport.generation is Generation.CLASSIC
    assert [c for c in adapter.sent if not c.startswith("AT")] == ["0100"]


@pytest.mark.parametrize(
    ("table", "generation", "asked"),
    [
        ({"0100": "7F0111", "22F400": "62F40098180001"}, Generation.ON_UDS, ["22F400"]),
        (
            {"0100": "7F017F", "22F400": "7F2231", "22F810": "62F81003"},
            Generation.ON_UDS,
            ["22F400", "22F810"],
        ),
        ({"0100": "7F0111"}, Generation.CLASSIC, ["22F400", "22F810"]),
        ({"0100": "7F0111", "22F400": "7F2211"}, Generation.CLASSIC, ["22F400", "22F810"]),
        # Silence is the answer of ISO 14229-1 to what a module does not know when all are asked.
        ({"22F400": "62F40098180001"}, Generation.ON_UDS, ["22F400", "0100"]),
        ({"22F810": "62F81003"}, Generation.ON_UDS, ["22F400", "22F810", "0100"]),
    ],
)
def test_the_newer_questions_are_asked_where_the_classic_one_is_not_answered(
    table: dict[str, str], generation: Generation, asked: list[str]
) -> None:
    adapter = SettableAdapter([Unit("7E0", "7E8", table, functional=True)])
    transport = connect(adapter)
    assert transport.generation is generation
    assert transport.protocol is not None
    assert transport.protocol.number == "6"
    requests = [c for c in adapter.sent if not c.startswith("AT")]
    assert requests == ["0100", *asked]


@pytest.mark.parametrize("number", ["6", "7", "8", "9"])
@pytest.mark.parametrize("wrong_bus", ["NO DATA", "CAN ERROR", "UNABLE TO CONNECT"])
def test_an_automatic_search_that_fails_is_followed_by_each_protocol(
    number: str, wrong_bus: str
) -> None:
    address = "7E8" if number in ("6", "8") else "18DAF110"
    car = unit(address, _22F400="62F40098180001", _22F40C="62F40C1AF8")
    adapter = SettableAdapter([car], number=number, automatic=False, wrong_bus=wrong_bus)
    said_on_the_way: list[str] = []
    transport = AdapterTransport(adapter)
    transport.progress = said_on_the_way.append
    found = transport.connect()
    assert (found.number, transport.generation) == (number, Generation.ON_UDS)
    assert said_on_the_way
    exchange = transport.exchange(Request(b"\x22\xf4\x0c"))
    assert [m.source for m in exchange.messages] == [address]
    transport.close()
    assert adapter.stored == "0"


def test_a_car_that_answers_both_ways_is_a_classic_one() -> None:
    # The classic question got lost at first.
    script: dict[str, Script | list[Script]] = {
        "0100": [said("NO DATA"), said(FIRST)],
        "22F400": said(F400),
    }
    transport = connect(FakeAdapter(script))
    assert transport.generation is Generation.CLASSIC


@pytest.mark.parametrize("protocol", ["6", "7"])
def test_a_wanted_can_protocol_is_kept(protocol: str) -> None:
    address = "7E8" if protocol == "6" else "18DAF110"
    adapter = SettableAdapter([unit(address, _22F400="62F40098180001")], number=protocol)
    assert connect(adapter, protocol).generation is Generation.ON_UDS
    assert {c for c in adapter.sent if c.startswith("ATSP")} == {f"ATSP{protocol}"}


def test_a_wanted_older_protocol_is_not_asked_by_newer_services() -> None:
    adapter = FakeAdapter({"0100": said("BUS INIT: ...ERROR")})
    with pytest.raises(NoAnswerError, match="does not answer"):
        connect(adapter, "3")
    assert not any(c.startswith("22") for c in adapter.sent)


@pytest.mark.parametrize(
    "first",
    [said("SEARCHING...", "UNABLE TO CONNECT"), said("NO DATA"), said("CAN ERROR"), said("7E8064")],
)
@pytest.mark.parametrize("later", [said("NO DATA"), said("CAN ERROR"), None, ((9.0, b"7E8"),)])
def test_a_silent_car_ends_in_the_same_error_in_bounded_time(first: Script, later: Script) -> None:
    adapter = FakeAdapter({"0100": first, "22F400": later, "22F810": later})
    with pytest.raises(NoAnswerError, match="does not answer") as caught:
        connect(adapter)
    assert "ignition" in caught.value.hint
    assert adapter.time.now_s() < 90
    assert [c for c in adapter.sent if c.startswith("ATSP")][-1] == "ATSP0"


def test_an_adapter_that_dies_in_the_search_is_said_to_be_silent() -> None:
    class Dying(FakeAdapter):
        def _answer(self, command: str) -> None:
            if "22F400" not in self.sent:
                super()._answer(command)

    adapter = Dying({"0100": said("NO DATA"), "22F400": None})
    with pytest.raises(LinkTimeoutError, match="stopped talking"):
        connect(adapter)


def test_a_restart_in_the_search_is_mended_and_the_protocol_selected_anew() -> None:
    car = unit("7E8", _22F400="62F40098180001", _22F810="62F81003")
    adapter = SettableAdapter([car], automatic=False)
    adapter.restart_at = ["22F400"]
    transport = connect(adapter)
    assert transport.generation is Generation.ON_UDS
    assert adapter.sent.count("ATSP6") == 2
    assert adapter.sent.count("ATH1") == 2


def test_a_newer_car_is_verified_by_its_own_question_after_a_module() -> None:
    car = unit("7E8", _22F810="62F81003", _22F40C="62F40C1AF8")
    module = Unit("7B0", "7B8", {"3E00": "7E00"})
    adapter = SettableAdapter([car, module])
    transport = connect(adapter)
    transport.exchange(Request(b"\x3e\x00", "7B0", reply_from="7B8"))
    assert transport.exchange(Request(b"\x22\xf4\x0c")).outcome is Outcome.ANSWERED
    assert adapter.since("ATCRA") == ["22F400", "22F810", "ATFCSM0", "22F40C"]
