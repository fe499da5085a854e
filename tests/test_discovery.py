"""Searching for modules: who is asked, in which order, and what is told of those not reached."""

from __future__ import annotations

import pytest

from obdlog import discovery, module_search
from obdlog.client import Client
from obdlog.errors import LinkClosedError, NoAnswerError, RefusedError
from obdlog.model import FUNCTIONAL, SEARCH, Bus, EcuMessage, Exchange, Outcome, Request
from obdlog.modules import Language, Module, System, module_at
from obdlog.transport.base import BusProtocol
from tests.fakes import CAN, KWP
from tests.module_bus import ENGINE_TABLE, FakeModule, ModuleBus

BRAKES = Module("7B0", "7B8", "my brakes", Language.ISO_14229, System.BRAKES)
CAN_29 = BusProtocol("7", "ISO 15765-4 CAN 29 bit, 500 kbit/s", Bus.CAN, 29, 500_000)
ENGINE_29 = {"engine": "18DAF110"}


def connected(bus: ModuleBus) -> Client:
    """Return a client that knows which modules answer requests to all."""
    client = Client(bus)
    client.ask(b"\x01\x00", purpose="identify")
    return client


def find(bus: ModuleBus, *known: Module, **more: object) -> discovery.Found:
    return discovery.find_modules(connected(bus), known, **more)  # type: ignore[arg-type]


def pairs(found: discovery.Found) -> list[tuple[str, str]]:
    return [(m.request, m.response) for m in found.modules]


# ISO 14229-1: a module that is addressed alone answers, be it with a refusal. KWP2000 on CAN
# knows 3E 01 and refuses 3E 00 (ISO 14230-3, from memory).
@pytest.mark.parametrize("answer", ["7E00", "7F3E12", "7F3E7F", "7F3E11"])
def test_any_answer_to_a_sign_of_life_is_a_module(answer):
    bus = ModuleBus({"7B0": FakeModule("7B8", {"3E00": answer})})
    found = find(bus)
    assert found.modules == (Module("7B0", "7B8", "module 7B8"),)
    assert found.complete


def test_an_answer_from_an_unusual_address_is_kept_with_it():
    found = find(ModuleBus({"710": FakeModule("77A")}))
    assert pairs(found) == [("710", "77A")]


def test_only_harmless_requests_go_out_one_at_a_time_to_the_ranges():
    bus = ModuleBus({"7B0": FakeModule("7B8")})
    find(bus)
    searched = [r for r in bus.requests if r.purpose == SEARCH]
    assert {r.payload for r in searched} == {b"\x3e\x00", b"\x10\x01"}
    assert {(r.target, r.reply_from) for r in searched if r.reply_from} == {("7B0", "7B8")}
    assert all(r.wait_s == module_search.WAIT_S for r in searched if r.reply_from is None)
    narrow = [int(t, 16) for t in bus.targets if len(t) == 3]
    assert min(narrow) == 0x700
    assert max(narrow) == 0x7F7
    assert not {0x7DF, *range(0x7E8, 0x7F0)} & set(narrow)  # ISO 15765-4: never ours to send
    wide = [t for t in bus.targets if len(t) == 8]
    assert len(wide) == len(set(wide)) == 254
    assert all(t.startswith("18DA") and t.endswith("F1") for t in wide)
    assert not {"18DA33F1", "18DAF1F1"} & set(wide)


def test_addresses_that_answers_come_from_are_not_asked():
    bus = ModuleBus({"7B0": FakeModule("7B8"), "710": FakeModule("77A")})
    find(bus)
    assert "7B8" not in bus.targets
    assert "77A" not in bus.targets
    assert bus.targets.index("7F0") < bus.targets.index("708")


def test_legislated_modules_are_known_and_not_asked_again():
    bus = ModuleBus({"7E0": FakeModule("7E8"), "7E4": FakeModule("7EC")})
    found = find(bus)
    assert "7E0" not in bus.targets
    assert pairs(found) == [("7E4", "7EC")]  # stayed silent when all were asked


@pytest.mark.parametrize(
    ("protocol", "first", "engine"), [(CAN, "700", "7E8"), (CAN_29, "18DA00F1", "18DAF110")]
)
def test_the_car_s_own_width_is_searched_first(protocol, first, engine):
    bus = ModuleBus({"18DA28F1": FakeModule("18DAF128")}, protocol, engine=engine)
    found = find(bus)
    assert bus.targets[0] == first
    assert pairs(found) == [("18DA28F1", "18DAF128")]
    assert len(found.searched) == 3  # the own width twice, the other once


@pytest.mark.parametrize(
    "cannot",
    [lambda target: f"this adapter cannot address {target}" if len(target) == 8 else "", None],
)
def test_a_width_that_the_road_cannot_carry_is_given_up_and_told(cannot):
    def raise_value_error(request: Request) -> None:
        if len(request.target) == 8:
            raise ValueError("18DA00F1 is not an 11-bit identifier")

    bus = (
        ModuleBus({"7B0": FakeModule("7B8")}, cannot=cannot)
        if cannot
        else ModuleBus({"7B0": FakeModule("7B8")}, hook=raise_value_error)
    )
    found = find(bus)
    assert pairs(found) == [("7B0", "7B8")]
    (why,) = found.not_reached
    assert why.startswith("18DA00F1–18DAFFF1: this ")
    assert not [t for t in bus.targets if len(t) == 8]


def test_the_older_buses_have_no_search_only_what_a_map_names():
    bus = ModuleBus({"28": FakeModule("28")}, KWP, engine="10")
    found = find(bus, Module("28", "28", "brakes"), Module("58", "58", "airbag"))
    assert [m.name for m in found.modules] == ["brakes"]
    assert [m.name for m in found.silent] == ["airbag"]
    assert set(bus.targets) == {"28", "58"}
    assert "no standard way to search" in " ".join(found.not_reached)


def test_known_modules_are_asked_first_where_they_answer_from_and_keep_what_is_known():
    lost = Module("740", "748", "lost")
    bus = ModuleBus({"7B0": FakeModule("7B8")})
    found = find(bus, BRAKES, lost)
    assert found.modules == (BRAKES,)
    assert found.silent == (lost,)
    first = next(r for r in bus.requests if r.target != FUNCTIONAL)
    assert (first.target, first.reply_from) == ("7B0", "7B8")
    assert bus.asked_of("7B0") == ["3E00"]  # not searched again


@pytest.mark.parametrize("chatter", [("701",), ("701", "79A")])
def test_traffic_that_looks_like_an_answer_everywhere_hides_no_module(chatter):
    """A frame ``02 7E 00`` may be anything on an identifier that is none of diagnosis."""
    modules = {"703": FakeModule("70B"), "7B0": FakeModule("7B8"), "710": FakeModule("77A")}
    everywhere = [FakeModule(source) for source in chatter]
    fakes = {}
    for address in (f"{number:03X}" for number in range(0x700, 0x7F8)):
        own = [modules[address]] if address in modules else []
        fakes[address] = [*everywhere, *own]
    found = discovery.find_modules(connected(ModuleBus(fakes)))
    assert {("703", "70B"), ("710", "77A"), ("7B0", "7B8")} <= set(pairs(found))
    said = " ".join(found.remarks)
    for source in chatter:
        assert f"{source} sends what looks like" in said or f"{source} answers at" in said
    assert "cannot be asked apart" not in said


def test_a_known_module_has_more_time_and_nothing_is_sent_from_where_it_answers():
    module = module_at("730", "738")
    bus = ModuleBus({})
    found = discovery.find_modules(connected(bus), (module,))
    assert found.silent == (module,)
    waits = {r.wait_s or 0.0 for r in bus.requests if r.target == "730"}
    searching = {r.wait_s or 0.0 for r in bus.requests if r.target == "731"}
    assert min(waits) > max(searching)
    assert "738" not in {r.target for r in bus.requests}


def test_two_modules_behind_one_address_are_told_and_not_listed():
    bus = ModuleBus({"7B0": [FakeModule("7B8"), FakeModule("7BA")], "720": FakeModule("728")})
    found = find(bus)
    assert pairs(found) == [("720", "728")]
    assert "several modules answer at 7B0 (from 7B8, 7BA)" in found.remarks[0]


def test_a_group_address_of_modules_found_alone_needs_no_remark():
    one, two = FakeModule("708"), FakeModule("718")
    found = find(ModuleBus({"700": one, "710": two, "7B0": [one, two]}))
    assert pairs(found) == [("700", "708"), ("710", "718")]
    assert found.remarks == ()


def test_one_module_that_answers_everywhere_is_one_module():
    everywhere = FakeModule("7B8")
    found = find(ModuleBus({f"{n:03X}": everywhere for n in range(0x700, 0x7F8)}))
    assert pairs(found) == [("700", "7B8")]
    assert len(found.remarks) == 1
    assert "answers at 701, 702, 703 and" in found.remarks[0]


def test_as_many_modules_as_there_are_addresses_end_the_search_at_a_bound():
    modules = {f"18DA{n:02X}F1": FakeModule(f"18DAF1{n:02X}") for n in range(0x100)}
    found = find(ModuleBus(modules, CAN_29, engine="18DAF1FF"))
    assert len(found.modules) == module_search.MOST_FOUND
    assert any("given up" in text for text in found.not_reached)


def test_a_damaged_answer_is_told_not_taken_for_silence():
    class Damaged(ModuleBus):
        def exchange(self, request: Request) -> Exchange:
            if request.target == "7B0":
                return Exchange(0.0, request, (), Outcome.GARBLED, damaged=True)
            return super().exchange(request)

    found = find(Damaged({}))
    assert found.modules == ()
    assert found.remarks == ("what answers at 7B0 did not arrive whole; it was not read",)


def test_an_adapter_that_hides_the_source_cannot_tell_who_answered():
    found = find(ModuleBus({"7B0": FakeModule("unknown")}))
    assert found.modules == ()
    assert "does not tell from where" in found.remarks[0]


def test_nor_where_the_engine_answers_from_nowhere_too():
    bus = ModuleBus({"7B0": FakeModule("unknown"), "7E0": FakeModule("unknown")}, engine="unknown")
    found = find(bus)
    assert [remark[:26] for remark in found.remarks] == ["a module answers at 7B0, a"]


def test_only_answers_are_kept_in_memory():
    bus = ModuleBus({"7B0": FakeModule("7B8")})
    client = connected(bus)
    discovery.find_modules(client)
    assert len([e for e in client.exchanges if e.request.purpose == SEARCH]) == 2


@pytest.mark.parametrize(("again", "expected"), [(True, [("7B0", "7B8")]), (False, [])])
def test_a_late_answer_gives_no_module_a_wrong_address(again, expected):
    """7B0 is asked first; its module answers when 7B1 has been asked."""

    class Late(ModuleBus):
        def exchange(self, request: Request) -> Exchange:
            if request.target == "7B1" and request.reply_from is None:
                return Exchange(0.0, request, (EcuMessage("7B8", b"\x7e\x00"),))
            return super().exchange(request)

    answers = [None, "7E00"] if again else None
    module = FakeModule("7B8", {"3E00": answers}, otherwise="silence")  # type: ignore[dict-item]
    found = find(Late({"7B0": module}))
    assert pairs(found) == expected
    assert bool(found.remarks) is not again
    if not again:
        assert "7B8 answered once when 7B1 was asked, and not again" in found.remarks[0]


def test_an_adapter_that_hears_one_address_at_a_time_may_miss_some_and_that_is_told():
    bus = ModuleBus({"7B0": FakeModule("7B8")})
    bus.searches_ranges = False  # type: ignore[attr-defined]
    found = find(bus)
    assert pairs(found) == [("7B0", "7B8")]
    assert module_search.USUAL_ONLY in found.not_reached


@pytest.mark.parametrize("there", [False, True])
def test_a_filter_without_effect_proves_no_silence(there):
    bus = ModuleBus({"7B0": FakeModule("7B8")} if there else {})
    bus.obeys_filter = False  # type: ignore[attr-defined]
    found = find(bus)
    assert (module_search.UNHEARD in found.not_reached) is not there


def test_ctrl_c_keeps_what_was_found():
    def stop(request: Request) -> None:
        if request.target == "7C0":
            raise KeyboardInterrupt

    found = find(ModuleBus({"7B0": FakeModule("7B8"), "7D0": FakeModule("7D8")}, hook=stop))
    assert pairs(found) == [("7B0", "7B8")]
    assert not found.complete
    assert "stopped" in found.not_reached[0]


def test_a_lost_road_is_an_error():
    def lose(request: Request) -> None:
        if request.target == "710":
            raise LinkClosedError("the link is gone")

    with pytest.raises(LinkClosedError):
        find(ModuleBus({}, hook=lose))


def test_the_search_ends_when_the_vehicle_moves_off():
    generic = dict(ENGINE_TABLE)
    bus = ModuleBus({"700": FakeModule("708")}, generic=generic)

    def move(request: Request) -> None:
        if request.target == "7B0":
            bus._generic["010D"] = "410D0A"

    bus._hook = move
    found = find(bus)
    assert pairs(found) == [("700", "708")]
    assert not found.complete
    assert "moves at 10 km/h" in " ".join(found.not_reached)
    assert not [t for t in bus.targets if len(t) == 8]


def test_silent_addresses_are_asked_for_the_default_session_too():
    """At the car's own width; at the other one in a patient search only."""
    deaf = FakeModule("7B8", {"1001": "5001003201F4"}, otherwise="silence")
    far = FakeModule("18DAF128", {"1001": "5001003201F4"}, otherwise="silence")
    modules = {"7B0": deaf, "720": FakeModule("728"), "18DA28F1": far}
    bus = ModuleBus(modules)
    assert pairs(find(bus)) == [("720", "728"), ("7B0", "7B8")]
    assert bus.asked_of("720") == ["3E00", "3E00"]
    assert bus.asked_of("18DA28F1") == ["3E00"]
    assert ("18DA28F1", "18DAF128") in pairs(find(ModuleBus(modules), thorough=True))


def test_two_modules_that_answer_from_one_address_are_told_and_not_read():
    bus = ModuleBus({"7B0": [FakeModule("7B8"), FakeModule("7B8")]})
    found = find(bus)
    assert found.modules == ()
    assert "several modules answer at 7B0 (from 7B8, 7B8)" in found.remarks[0]
    assert "7B8" not in bus.targets
    known = find(ModuleBus({"7B0": [FakeModule("7B8"), FakeModule("7B8")]}), BRAKES)
    assert known.modules == ()
    assert known.remarks == found.remarks


def test_a_module_that_only_asks_for_more_time_is_there():
    found = find(ModuleBus({"7B0": FakeModule("7B8", {"3E00": "7F3E78"})}))
    assert pairs(found) == [("7B0", "7B8")]


def test_the_pace_leaves_a_pause_and_the_estimate_fits():
    bus = ModuleBus({"7B0": FakeModule("7B8")})
    client = connected(bus)
    began_s = bus.clock.now_s()
    discovery.find_modules(client)
    took_s = bus.clock.now_s() - began_s
    asked = sum(r.purpose == SEARCH for r in bus.requests)
    assert took_s / asked >= 0.05  # at most 20 requests a second
    assert took_s <= discovery.estimate_s(client)
    assert discovery.estimate_s(Client(ModuleBus({}, KWP))) == 0.0


@pytest.mark.parametrize(
    ("speed", "said"),
    [("410D00", ""), (None, None), ("410D0A", None)],
)
def test_the_vehicle_must_stand(speed, said):
    generic = {k: v for k, v in ENGINE_TABLE.items() if k != "010D"}
    client = Client(ModuleBus({}, generic=generic | ({"010D": speed} if speed else {})))
    if said is None:
        with pytest.raises(RefusedError):
            discovery.require_stationary(client)
    else:
        assert discovery.require_stationary(client) == said


def test_a_car_that_does_not_support_its_speed_is_told_about():
    client = Client(ModuleBus({}, generic={"0100": "410098338011"}))
    assert "make sure that it stands" in discovery.require_stationary(client)


def test_a_damaged_speed_is_no_standstill():
    class Damaged(ModuleBus):
        def exchange(self, request: Request) -> Exchange:
            if request.payload == b"\x01\x0d":
                return Exchange(0.0, request, (), Outcome.GARBLED)
            return super().exchange(request)

    with pytest.raises(RefusedError, match="not certain that the vehicle stands"):
        discovery.require_stationary(Client(Damaged({})))


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("7B0", ("7B0", "7B8")),
        ("7B8", ("7B0", "7B8")),
        ("710", ("710", "77A")),
        ("72E", ("72E", "736")),
        ("18DA28F1", ("18DA28F1", "18DAF128")),
        ("18DAF128", ("18DA28F1", "18DAF128")),
        ("740", None),
    ],
)
def test_one_address_is_enough_to_find_its_module(address, expected):
    bus = ModuleBus(
        {
            "7B0": FakeModule("7B8"),
            "710": FakeModule("77A"),
            "72E": FakeModule("736"),
            "18DA28F1": FakeModule("18DAF128"),
        }
    )
    found = discovery.find_one(connected(bus), address)
    assert (found and (found.request, found.response)) == expected


def test_an_address_that_the_road_does_not_carry_is_not_said_to_be_silent():
    bus = ModuleBus({}, cannot=lambda target: f"this adapter cannot address {target}")
    with pytest.raises(NoAnswerError, match="7B0 was not asked: this adapter cannot"):
        discovery.find_one(Client(bus), "7B0")


@pytest.mark.parametrize(("answers_from", "asked_at"), [("7E9", "7E1"), ("18DAF128", "18DA28F1")])
def test_nothing_is_sent_with_the_identifier_of_an_answer(answers_from, asked_at):
    """ISO 15765-4 gives 7E8-7EF and 18DAF1xx to the modules: two senders would disturb the bus."""
    bus = ModuleBus({asked_at: FakeModule(answers_from)})
    found = discovery.find_one(Client(bus), answers_from)
    assert found is not None
    assert (found.request, found.response) == (asked_at, answers_from)
    assert {r.target for r in bus.requests} == {asked_at}


@pytest.mark.parametrize(("address", "first"), [("7B8", "7B0"), ("7B0", "7B0"), ("72E", "726")])
def test_an_identifier_that_answers_usually_come_from_is_asked_last(address, first):
    """Two senders of one identifier would disturb the bus (ISO 11898-1); the offset of eight is
    common practice, no source."""
    bus = ModuleBus({"7B0": FakeModule("7B8"), "72E": FakeModule("736")})
    found = discovery.find_one(connected(bus), address)
    assert found is not None
    asked = [r.target for r in bus.requests if r.target != FUNCTIONAL]
    assert asked[0] == first
    assert asked[-1] == found.request


@pytest.mark.parametrize("address", ["000", "0B0", "123", "6FF", "0CF00400", "18DAF1F1"])
def test_nothing_is_sent_with_an_identifier_outside_diagnosis(address):
    """ISO 15765-4: 7DF to 7EF and 18DAxxF1; that diagnosis has 700-7FF is common practice."""
    bus = ModuleBus({})
    assert discovery.find_one(Client(bus), address) is None
    assert not bus.requests


def test_the_usual_request_of_an_address_near_the_edge_is_not_below_it():
    bus = ModuleBus({})
    assert discovery.find_one(Client(bus), "707") is None
    assert {r.target for r in bus.requests} == {"707"}


def test_an_address_of_two_modules_names_none():
    bus = ModuleBus({"740": [FakeModule("748"), FakeModule("74A")]})
    with pytest.raises(NoAnswerError, match="several modules answer at 740"):
        discovery.find_one(connected(bus), "740")


def test_a_recording_tells_its_modules_by_what_was_asked_alone():
    def exchange(target: str, *sources: str, ask: str = "1902AF") -> Exchange:
        payload = bytes.fromhex(ask)
        answer = bytes([payload[0] + 0x40, *payload[1:]])
        return Exchange(
            0.0, Request(payload, target), tuple(EcuMessage(s, answer) for s in sources)
        )

    recorded = [
        exchange(FUNCTIONAL, "7E8", ask="03"),
        exchange("700"),
        exchange("7B0", "7B8"),
        exchange("710", "77A"),
        exchange("7B0", "7B8"),
        Exchange(0.0, Request(b"\x3e\x00", "720"), (EcuMessage("728", b"\x7f\x3e\x12"),)),
    ]
    assert discovery.recorded_modules(recorded) == (
        module_at("7B0", "7B8"),
        module_at("710", "77A"),
        module_at("720", "728"),
    )
