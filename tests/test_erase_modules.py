"""Erasing single modules: each once, after its evidence, and the read-back tells.

Services 14 and 19: ISO 14229-1; services 14 and 18: ISO 14230-3. When a lamp goes out after an
erase: common practice, no source.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from obdlog import survey
from obdlog.client import Client
from obdlog.documents import clear_document
from obdlog.erase.cautions import LAMPS_LATER, NOT_REACHED, cautions_for
from obdlog.erase.evidence import left_out
from obdlog.erase.orders import generic_order, module_order
from obdlog.erase.result import next_steps
from obdlog.erase.sending import send_erase
from obdlog.errors import LinkClosedError
from obdlog.model import FUNCTIONAL, Bus, Generation, Request
from obdlog.module_reading import read_in_session, read_modules
from obdlog.modules import Language, Module, System
from obdlog.session.format import SessionHeader
from obdlog.session.reader import read_session
from obdlog.session.writer import SessionWriter
from tests.module_bus import ENGINE_TABLE, FakeModule, ModuleBus

BRAKE = Module("7B0", "7B8", "brake control", Language.ISO_14229, System.BRAKES)
OLDER = Module("720", "728", "instruments", Language.ISO_14230)
GENERIC = generic_order(Generation.CLASSIC)
# Status 8F: failing, confirmed, lamp requested. D0: not tested since the erase, lamp requested.
LISTED, LAMP_ONLY, EMPTY = "5902FF4035118F", "5902FF403511D0", "5902FF"


def brake(*lists: str, erase: Any = "54", **options: Any) -> FakeModule:
    return FakeModule("7B8", {"1902AF": list(lists), "14FFFFFF": erase}, **options)


def older(*lists: str) -> FakeModule:
    return FakeModule("728", {"1800FF00": list(lists), "14FF00": "54FF00"})


@pytest.fixture
def erase(tmp_path):
    """Read `modules` on a bus, erase them, and return the bus, the erasure and the session."""

    def erase(fakes, modules, *, generic=True, table=ENGINE_TABLE, hook=None):
        bus = ModuleBus(fakes, generic={**table, "04": "44"}, hook=hook)
        client = Client(bus)
        client.read_codes()
        read = read_modules(client, modules, identity=False)
        before = survey.survey_codes(client.exchanges, Bus.CAN)
        bus.requests.clear()
        orders = [*map(module_order, read), *([GENERIC] if generic else [])]
        path = tmp_path / "after.session.jsonl"
        with SessionWriter(path, SessionHeader(version=1), bus.clock) as session:
            erasure = send_erase(bus, session, before, orders)
        return bus, erasure, read_session(path)

    return erase


def erases(bus: ModuleBus) -> list[tuple[str, str]]:
    return [(r.target, r.payload.hex().upper()) for r in bus.requests if r.service in (0x04, 0x14)]


@pytest.mark.parametrize(
    ("module", "payload"),
    [(BRAKE, "14FFFFFF"), (OLDER, "14FF00")],
)
def test_a_module_is_erased_in_the_language_it_speaks(module, payload):
    order = module_order(module)
    assert order.request.payload.hex().upper() == payload
    assert (order.request.target, order.request.reply_from) == (module.request, module.response)


def test_a_car_after_sae_j1979_2_is_erased_by_the_emissions_group():
    # SAE J1979-2: functional group 33, all groups of codes.
    assert generic_order(Generation.ON_UDS).request.payload.hex().upper() == "14FFFF33"


def test_single_modules_come_first_and_each_erase_goes_out_once(erase):
    bus, erasure, session = erase(
        {"7B0": brake(LISTED, EMPTY), "720": older("58014035E0", "5800")}, (BRAKE, OLDER)
    )
    assert erases(bus) == [("7B0", "14FFFFFF"), ("720", "14FF00"), ("functional", "04")]
    assert [m.text for m in session.marks] == [
        "service 14 (erase) is sent now to 7B0",
        "service 14 (erase) is sent now to 720",
        "service 04 (erase) is sent now",
    ]
    by_address = {m.address: m for m in erasure.modules}
    assert by_address["7B8"].before == ("C0035",)
    assert by_address["7B8"].after == ()
    assert by_address["728"].before == ("C0035",)
    assert by_address["728"].after == ()
    assert erasure.known


def test_before_each_erase_the_engine_is_asked_again(erase):
    bus, _, _ = erase({"7B0": brake(LISTED, EMPTY)}, (BRAKE,))
    asked = [r.payload.hex().upper() for r in bus.requests]
    for at, request in enumerate(bus.requests):
        if request.service in (0x04, 0x14):
            assert "010C" in asked[max(0, at - 2) : at]


def test_an_engine_that_starts_between_two_erases_stops_the_second(tmp_path):
    table = dict(ENGINE_TABLE) | {"04": "44"}
    fake = brake(LISTED, EMPTY)
    bus = ModuleBus({"7B0": fake}, generic=table)

    def start(request: Request) -> None:
        if request.service == 0x14:
            bus._generic["010C"] = "410C0C80"

    bus._hook = start
    path = tmp_path / "after.session.jsonl"
    with SessionWriter(path, SessionHeader(version=1), bus.clock) as session:
        erasure = send_erase(bus, session, (), [module_order(BRAKE), GENERIC])
    assert erases(bus) == [("7B0", "14FFFFFF")]
    assert "engine runs" in str(erasure.trouble)
    assert [(m.address, m.accepted) for m in erasure.modules] == [("7B8", True)]


def test_legislated_modules_whose_erase_was_not_sent_are_named(erase):
    def stop(request: Request) -> None:
        if request.service == 0x14:
            raise LinkClosedError("the link is gone")

    _, erasure, _ = erase({"7B0": brake(LISTED, EMPTY)}, (BRAKE,), hook=stop)
    assert [(m.address, m.sent) for m in erasure.modules] == [("7E8", False), ("7B8", True)]
    steps = " ".join(next_steps(erasure))
    assert "engine control (7E8) was not erased: what went wrong before came first." in steps


def test_who_was_merely_heard_in_a_search_is_no_part_of_an_erase(tmp_path):
    bus = ModuleBus({"765": FakeModule("76D")}, generic=dict(ENGINE_TABLE) | {"04": "44"})
    client = Client(bus)
    client.read_codes()
    client.ask(b"\x3e\x00", purpose="search", target="765", reply_from="76D")
    before = survey.survey_codes(client.exchanges, Bus.CAN)
    assert [m.address for m in before] == ["76D", "7E8"]
    bus.requests.clear()
    path = tmp_path / "after.session.jsonl"
    with SessionWriter(path, SessionHeader(version=1), bus.clock) as session:
        erasure = send_erase(bus, session, before, [GENERIC])
    assert [m.address for m in erasure.modules] == ["7E8"]
    assert erasure.known
    assert bus.asked_of(FUNCTIONAL).count("03") == 1  # nobody is missed


def test_codes_before_the_erase_are_not_known_of_a_module_that_did_not_give_them(tmp_path):
    bus = ModuleBus({"7B0": FakeModule("7B8", {}, code="7F")}, generic={**ENGINE_TABLE, "04": "44"})
    client = Client(bus)
    client.read_codes()
    read_modules(client, (BRAKE,), identity=False)
    before = survey.survey_codes(client.exchanges, Bus.CAN)
    skipped = left_out(client.exchanges, Bus.CAN, (BRAKE,))
    path = tmp_path / "after.session.jsonl"
    with SessionWriter(path, SessionHeader(version=1), bus.clock) as session:
        erasure = send_erase(bus, session, before, [GENERIC], skipped=skipped)
    entries = clear_document(path, path, erasure.modules, ())["modules"]
    shown = {m["address"]: m["before"] for m in entries}
    assert shown["7B8"] is None
    assert shown["7E8"] is not None


def test_a_module_alone_leaves_the_legislated_ones_as_they_are(erase):
    bus, erasure, _ = erase({"7B0": brake(LISTED, EMPTY)}, (BRAKE,), generic=False)
    assert erases(bus) == [("7B0", "14FFFFFF")]
    assert [m.address for m in erasure.modules] == ["7B8"]


def test_silence_is_not_answered_by_a_second_erase(erase):
    bus, erasure, _ = erase({"7B0": brake(LISTED, EMPTY, erase=None)}, (BRAKE,), generic=False)
    assert len(erases(bus)) == 1
    (module,) = erasure.modules
    assert module.accepted is None
    assert any("did not say what became of the erase" in step for step in next_steps(erasure))


def test_of_codes_that_are_there_after_silence_no_fault_is_claimed(erase):
    _, erasure, _ = erase({"7B0": brake(LISTED, erase=None)}, (BRAKE,), generic=False)
    said = " ".join(next_steps(erasure))
    assert "C0035: it was not carried out, or the codes came back at once" in said
    assert "points to a fault" not in said


def test_a_refusal_is_told_in_the_words_of_the_modules_own_standard(erase):
    bus, erasure, _ = erase({"7B0": brake(LISTED, erase="7F1422")}, (BRAKE,), generic=False)
    (module,) = erasure.modules
    assert len(erases(bus)) == 1
    assert module.accepted is False
    assert "conditions" in (module.refusal or "")
    assert module.stored == ("C0035",)


def test_a_lamp_that_waits_for_the_key_cycle_is_told_so(erase):
    _, erasure, _ = erase({"7B0": brake(LISTED, LAMP_ONLY)}, (BRAKE,), generic=False)
    (module,) = erasure.modules
    assert module.lamp is True
    assert module.stored == ()
    assert module.after == ()
    assert erasure.known
    steps = " ".join(next_steps(erasure))
    assert "goes out with the key cycle" in steps
    assert "--after-key-cycle" in steps


def test_a_module_that_restarts_is_read_again(erase):
    bus, erasure, _ = erase({"7B0": brake(LISTED, LISTED, EMPTY)}, (BRAKE,), generic=False)
    assert len(erases(bus)) == 1
    assert erasure.modules[0].after is not None


IN_SESSION = {"1902AF": ["5902FF4035118F", "5902FF"], "14FFFFFF": "54"}


def locked() -> FakeModule:
    return FakeModule("7B8", {}, code="7F", in_session=IN_SESSION)


def test_a_module_that_was_read_in_its_extended_session_is_erased_in_it(tmp_path):
    bus = ModuleBus({"7B0": locked()})
    client = Client(bus)
    client.read_codes()
    (module,) = read_modules(client, (BRAKE,), extended=True, identity=False)
    assert read_in_session(client.exchanges, module)
    before = survey.survey_codes(client.exchanges, Bus.CAN)
    bus.requests.clear()
    path = tmp_path / "after.session.jsonl"
    with SessionWriter(path, SessionHeader(version=1), bus.clock) as session:
        order = module_order(module, in_session=True)
        erasure = send_erase(bus, session, before, [order], extended=True)
    asked = [r.payload.hex().upper() for r in bus.requests if r.target == "7B0"]
    assert asked[:3] == ["1003", "14FFFFFF", "1001"]
    assert asked[-1] == "1001"
    assert asked.count("14FFFFFF") == 1
    assert erasure.modules[0].accepted is True
    assert erasure.modules[0].after == ()


def test_a_module_that_does_not_open_the_session_gets_no_erase(tmp_path):
    bus = ModuleBus({"7B0": FakeModule("7B8", {"1003": "7F1022"}, code="7F")})
    with SessionWriter(
        tmp_path / "a.session.jsonl", SessionHeader(version=1), bus.clock
    ) as session:
        order = module_order(BRAKE, in_session=True)
        erasure = send_erase(bus, session, (), [order], extended=True)
    assert erases(bus) == []
    assert [(m.sent, m.refusal) for m in erasure.modules] == [
        (False, "it did not open its extended session")
    ]


def erases_in_session_only() -> FakeModule:
    table = {"1902AF": [LISTED, EMPTY], "14FFFFFF": "7F147F"}
    return FakeModule("7B8", table, in_session={"14FFFFFF": "54"})


@pytest.mark.parametrize("allowed", [False, True])
def test_a_module_that_erases_in_its_extended_session_only(tmp_path, allowed):
    # ISO 14229-1: 7F is "service not supported in the active session": nothing was erased.
    fake = erases_in_session_only()
    bus = ModuleBus({"7B0": fake})
    client = Client(bus)
    client.read_codes()
    read_modules(client, (BRAKE,), identity=False)
    before = survey.survey_codes(client.exchanges, Bus.CAN)
    bus.requests.clear()
    path = tmp_path / "after.session.jsonl"
    with SessionWriter(path, SessionHeader(version=1), bus.clock) as session:
        erasure = send_erase(bus, session, before, [module_order(BRAKE)], extended=allowed)
    (module,) = erasure.modules
    asked = [r.payload.hex().upper() for r in bus.requests if r.target == "7B0"]
    if allowed:
        assert asked[:4] == ["14FFFFFF", "1003", "14FFFFFF", "1001"]
        assert (module.accepted, module.after) == (True, ())
    else:
        assert asked.count("14FFFFFF") == 1
        assert "1003" not in asked
        assert module.accepted is False
        assert "--extended-session allows" in " ".join(next_steps(erasure))


def test_a_module_that_needs_no_session_is_never_put_into_one(erase):
    bus, _, _ = erase({"7B0": brake(LISTED, EMPTY)}, (BRAKE,))
    assert not [r for r in bus.requests if r.service == 0x10]


def exchanges_of(fakes: dict[str, FakeModule], modules: tuple[Module, ...]) -> Any:
    client = Client(ModuleBus(fakes))
    read_modules(client, modules, identity=False)
    return client.exchanges


@pytest.mark.parametrize(
    ("fake", "why"),
    [
        (FakeModule("7B8", {}, otherwise="silent"), "no evidence"),
        (FakeModule("7B8", {}, code="7F"), "--extended-session allows it"),
        (FakeModule("7B8", {"1902AF": "7F1978"}), "no evidence|not complete"),
    ],
)
def test_a_module_without_evidence_is_left_out(fake, why):
    reasons = left_out(exchanges_of({"7B0": fake}, (BRAKE,)), Bus.CAN, (BRAKE,))
    assert list(reasons) == [BRAKE]
    assert re.search(why, reasons[BRAKE])


@pytest.mark.parametrize("listed", ["5902", "5902FF403511", "5902FF4035118F40"])
def test_a_list_that_does_not_read_whole_is_no_evidence(listed):
    reasons = left_out(exchanges_of({"7B0": brake(listed)}, (BRAKE,)), Bus.CAN, (BRAKE,))
    assert "not complete" in reasons[BRAKE]


def test_a_module_that_counts_more_than_it_lists_is_left_out():
    fake = FakeModule("7B8", {"1902AF": "5902FF4035118F", "1901AF": "5901FF010007"})
    reasons = left_out(exchanges_of({"7B0": fake}, (BRAKE,)), Bus.CAN, (BRAKE,))
    assert "not complete" in reasons[BRAKE]


def test_a_module_that_listed_its_codes_is_not_left_out():
    found = exchanges_of({"7B0": brake(LISTED)}, (BRAKE,))
    assert left_out(found, Bus.CAN, (BRAKE,)) == {}


def test_cautions_follow_the_systems_and_say_beforehand_what_lamps_do():
    restraint = Module("737", "73F", "restraints", Language.ISO_14229, System.RESTRAINTS)
    said = cautions_for((), (BRAKE, restraint), generic=True)
    assert any("licensed practice only" in text for text in said)
    assert any("Brakes" in text for text in said)
    assert LAMPS_LATER in said
    assert NOT_REACHED not in said
    assert NOT_REACHED in cautions_for((), (), generic=True)
