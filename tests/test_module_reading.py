"""Reading modules one by one: which requests go out, in which language, and where it ends."""

from __future__ import annotations

import pytest

from obdlog import module_dialogue, module_reading, survey
from obdlog.client import Client
from obdlog.errors import LinkClosedError
from obdlog.model import Request
from obdlog.module_reading import read_modules
from obdlog.modules import Language, Module, module_at
from tests.module_bus import FakeModule, ModuleBus

# Codes C0035-11 and U0121-00 with status bytes, as ISO 14229-1 lays out the reply to 19 02.
LISTED = "5902AF" + "40351109" + "C12100AF"
BRAKES = {
    "1902AF": LISTED,
    "1901AF": "5901AF010002",
    "1906403511FF": "59064035110901050A",
    "1906C12100FF": "5906C12100AF0107",
    "1904403511FF": "59044035110901010100",
    "22F190": "62F190" + "00" * 17,
    "22F187": "62F187414243",
}
AT = module_at("7B0", "7B8")


def codes_read(client: Client, module: Module) -> bool:
    found = survey.survey_codes(client.exchanges, client.bus)
    return any(m.answered for m in found if m.address == module.response)


def notes(client: Client, module: Module) -> tuple[str, ...]:
    return module_reading.notes(client.exchanges, module, listed=codes_read(client, module))


def read(
    module: FakeModule, at: Module = AT, **more: bool
) -> tuple[Client, ModuleBus, tuple[Module, ...]]:
    bus = ModuleBus({at.request: module})
    client = Client(bus)
    return client, bus, read_modules(client, [at], **more)


def test_a_module_of_iso_14229_gives_codes_what_is_beside_them_and_who_it_is():
    client, bus, (found,) = read(FakeModule("7B8", BRAKES, code="31"))
    assert found == Module("7B0", "7B8", "module 7B8", Language.ISO_14229)
    asked = bus.asked_of("7B0")
    assert asked[:2] == ["1902AF", "1901AF"]
    assert asked.index("190A") > asked.index("1904403511FF")
    assert {"1906403511FF", "1906C12100FF", "1904403511FF", "1904C12100FF"} <= set(asked)
    assert {"22F190", "22F187", "22F18C"} <= set(asked)
    assert not [a for a in asked if a[:2] in ("18", "17", "13", "1A", "10", "14", "27")]
    assert {e.request.purpose for e in client.exchanges} == {"codes", "identify"}
    assert all(e.request.reply_from == "7B8" for e in client.exchanges)
    assert codes_read(client, found)
    assert notes(client, found) == ()


def test_a_service_refused_for_one_code_is_not_asked_for_the_next():
    module = FakeModule("7B8", {"1902AF": LISTED, "1906403511FF": "7F1912"})
    _, bus, _ = read(module)
    asked = bus.asked_of("7B0")
    assert "1906C12100FF" not in asked
    assert [a for a in asked if a.startswith("1904")] == ["1904403511FF"]


# ISO 14229-1: 31 says that this code has no such record, not that the service is missing.
def test_a_code_without_stored_data_does_not_end_the_question():
    module = FakeModule("7B8", {"1902AF": LISTED, "1906403511FF": "7F1931"})
    _, bus, _ = read(module)
    assert "1906C12100FF" in bus.asked_of("7B0")


@pytest.mark.parametrize("code", ["12", "13", "31", "22", "33"])
def test_a_refused_mask_is_followed_by_the_mask_of_everything(code):
    module = FakeModule("7B8", {"1902AF": f"7F19{code}", "1902FF": "5902FF" + "40351109"})
    client, bus, (found,) = read(module)
    assert bus.asked_of("7B0")[:2] == ["1902AF", "1902FF"]
    assert found.language is Language.ISO_14229
    assert codes_read(client, found)


OLDER = {"1800FF00": "5801403561", "1A90": "5A90" + "30" * 17, "1A91": "5A91313233"}


@pytest.mark.parametrize("refusal", ["7F1911", "7F1912", None])
def test_a_module_that_does_not_know_service_19_is_asked_in_the_older_language(refusal):
    module = FakeModule(
        "728", {**OLDER, "1902AF": refusal, "1902FF": refusal}, code="11", otherwise="refuse"
    )
    client, bus, (found,) = read(module, module_at("720", "728"))
    assert found.language is Language.ISO_14230
    assert "1800FF00" in bus.asked_of("720")
    assert "1A90" in bus.asked_of("720")
    assert not [a for a in bus.asked_of("720") if a.startswith("22")]
    assert codes_read(client, found)


def test_services_17_and_13_follow_where_18_is_refused():
    module = FakeModule("728", {"13FF00": "53014035"})
    _, bus, (found,) = read(module, module_at("720", "728"))
    asked = [a for a in bus.asked_of("720") if a[:2] in ("18", "17", "13")]
    assert asked == ["1800FF00", "1802FF00", "17FF00", "13FF00"]
    assert found.language is Language.ISO_14230


def test_a_language_that_is_known_is_tried_first():
    at = Module("720", "728", "cluster", Language.ISO_14230)
    _, bus, (found,) = read(FakeModule("728", OLDER), at)
    assert bus.asked_of("720")[0] == "1800FF00"
    assert not [a for a in bus.asked_of("720") if a.startswith(("19", "22"))]
    assert found == at


def test_a_module_that_refuses_everything_costs_a_bounded_number_of_requests():
    client, bus, (found,) = read(FakeModule("7B8"))
    assert len(bus.asked_of("7B0")) <= 8
    assert found.language is None
    assert not codes_read(client, found)
    assert any("nothing here says that it is clean" in n for n in notes(client, found))


@pytest.mark.parametrize("answer", [None, "7F1978", "6205", "7B"])
def test_silence_endless_pending_and_wrong_services_end_soon(answer):
    module = FakeModule("7B8", {"1902AF": answer}, otherwise="silence")
    client, bus, (found,) = read(module)
    assert len(bus.asked_of("7B0")) <= 6
    assert found.language is None
    said = " ".join(notes(client, found))
    assert "nothing" in said


def test_one_lost_answer_does_not_lose_the_module():
    module = FakeModule("7B8", {**BRAKES, "1902AF": [None, LISTED]})  # type: ignore[list-item]
    client, _, (found,) = read(module)
    assert found.language is Language.ISO_14229
    assert codes_read(client, found)


def test_a_list_as_long_as_a_message_can_be_is_asked_about_within_bounds():
    many = "5902AF" + "".join(f"4{n:03X}1109" for n in range(1, 1023))
    everything = FakeModule("7B8", {"1902AF": many}, code="31")
    _, bus, _ = read(everything)
    asked = bus.asked_of("7B0")
    assert len([a for a in asked if a.startswith("1906")]) == module_dialogue.MOST_DETAILED
    assert len(asked) <= 2 + 2 * module_dialogue.MOST_DETAILED + 12


CLOSED = {
    "1902AF": "7F197F",
    "1902FF": "7F197F",
    "22F190": "7F227F",
}


@pytest.mark.parametrize("refusal", ["7F197E", "7F197F"])
def test_without_leave_the_extended_session_is_not_opened(refusal):
    module = FakeModule("77A", {"1902AF": refusal}, in_session={"1902AF": LISTED})
    client, bus, (found,) = read(module, module_at("710", "77A"))
    assert not [a for a in bus.asked_of("710") if a.startswith("10")]
    assert found.language is Language.ISO_14229
    assert not codes_read(client, found)
    assert any("--extended-session" in n for n in notes(client, found))


def test_with_leave_it_is_opened_read_in_and_left():
    module = FakeModule("77A", CLOSED, in_session=BRAKES)
    client, bus, (found,) = read(module, module_at("710", "77A"), extended=True)
    asked = bus.asked_of("710")
    assert asked.count("1003") == asked.count("1001") == 1
    inside = asked[asked.index("1003") + 1 : asked.index("1001")]
    assert inside[0] == "1902AF"
    assert not module.session
    assert codes_read(client, found)
    session = [e.request for e in client.exchanges if e.request.payload[0] == 0x10]
    assert {r.purpose for r in session} == {"session"}
    assert notes(client, found) == (
        "was asked in the extended session and returned to the default one",
    )


def test_a_module_that_answers_without_it_is_left_in_its_session():
    _, bus, _ = read(FakeModule("7B8", BRAKES, code="31"), extended=True)
    assert not [a for a in bus.asked_of("7B0") if a.startswith("10")]


@pytest.mark.parametrize("opening", ["7F1022", "7F1012", None])
def test_a_session_that_is_refused_is_not_asked_for_again(opening):
    module = FakeModule("77A", {**CLOSED, "1003": opening})
    client, bus, (found,) = read(module, module_at("710", "77A"), extended=True)
    asked = bus.asked_of("710")
    assert asked.count("1003") == 1
    assert "1001" in asked  # an answer may have been lost: it may be in the session all the same
    assert not codes_read(client, found)


def test_no_other_session_and_no_security_access_is_ever_asked_for():
    for module in (FakeModule("77A", CLOSED, in_session=CLOSED), FakeModule("77A", CLOSED)):
        _, bus, _ = read(module, module_at("710", "77A"), extended=True)
        asked = bus.asked_of("710")
        assert {a for a in asked if a.startswith("10")} <= {"1003", "1001"}
        assert {a[:2] for a in asked} <= {"19", "18", "17", "13", "22", "1A", "10", "3E"}


@pytest.mark.parametrize("stop", [KeyboardInterrupt, LinkClosedError("the link is gone")])
def test_whatever_stops_the_reading_the_default_session_is_asked_for(stop):
    module = FakeModule("77A", CLOSED, in_session=BRAKES)

    def end(request: Request) -> None:
        if request.payload[:2] == b"\x19\x01":
            raise stop

    bus = ModuleBus({"710": module}, hook=end)
    with pytest.raises(type(stop) if isinstance(stop, Exception) else stop):
        read_modules(Client(bus), [module_at("710", "77A")], extended=True)
    assert bus.asked_of("710")[-1] == "1001"
    assert not module.session


def test_a_session_is_kept_alive_only_where_the_reading_takes_long():
    slow = FakeModule("77A", CLOSED, in_session=BRAKES)
    bus = ModuleBus({"710": slow})

    def wait(request: Request) -> None:
        if request.payload[:2] == b"\x19\x06":
            bus.clock.sleep_s(2.0)

    bus._hook = wait
    read_modules(Client(bus), [module_at("710", "77A")], extended=True)
    assert "3E00" not in bus.asked_of("710")  # each request itself keeps the session

    paused = FakeModule("77A", CLOSED, in_session=BRAKES)
    bus = ModuleBus({"710": paused})

    dialogue = module_dialogue.Dialogue(Client(bus), module_at("710", "77A"), extended=True)
    with dialogue.extended_session() as opened:
        assert opened
        bus.clock.sleep_s(4.0)
        dialogue._ask(b"\x19\x02\xaf")
    assert bus.asked_of("710") == ["1003", "3E00", "1902AF", "1001"]


def test_modules_are_read_one_after_the_other_with_progress():
    bus = ModuleBus({"7B0": FakeModule("7B8", BRAKES, code="31"), "720": FakeModule("728", OLDER)})
    said: list[str] = []
    found = read_modules(
        Client(bus), [AT, module_at("720", "728")], progress=said.append, identity=False
    )
    assert [m.language for m in found] == [Language.ISO_14229, Language.ISO_14230]
    assert said == ["reading module 7B8 (1 of 2)", "reading module 728 (2 of 2)"]
    assert not [r for r in bus.requests if r.payload[0] in (0x22, 0x1A)]


def test_an_address_that_the_road_does_not_carry_is_no_fault_of_the_module():
    def refuse(request: Request) -> None:
        raise ValueError(f"{request.target} is not an 11-bit identifier")

    bus = ModuleBus({}, hook=refuse)
    client = Client(bus)
    at = module_at("18DA28F1", "18DAF128")
    assert read_modules(client, [at]) == (at,)
    assert len(client.exchanges) == 1
    assert "not an 11-bit identifier" in client.exchanges[0].note
    assert notes(client, at) == (module_reading.SILENT,)


def test_identification_is_asked_in_the_extended_session_where_it_is_refused_without():
    table = {"1902AF": "5902AF", "22F190": "7F227F"}
    module = FakeModule("7B8", table, code="31", in_session={"22F190": "62F190" + "41" * 17})
    _, bus, _ = read(module, extended=True)
    asked = bus.asked_of("7B0")
    assert asked.count("1003") == asked.count("1001") == 1
    assert "22F190" in asked[asked.index("1003") :]


def test_only_stored_data_may_need_the_extended_session():
    table = {**BRAKES, "1906403511FF": "7F197E", "22F187": "7F227E"}
    inside = {"1906403511FF": BRAKES["1906403511FF"], "22F187": BRAKES["22F187"]}
    module = FakeModule("7B8", table, code="31", in_session=inside)
    client, bus, (found,) = read(module)
    assert "1003" not in bus.asked_of("7B0")
    assert "--extended-session" in " ".join(notes(client, found))
    client, bus, (found,) = read(
        FakeModule("7B8", table, code="31", in_session=inside), extended=True
    )
    asked = bus.asked_of("7B0")
    within = asked[asked.index("1003") + 1 : asked.index("1001")]
    assert within == ["1906403511FF", "1906C12100FF", "22F187"]
    assert asked.count("1003") == 1


def test_two_modules_on_one_response_address_are_told():
    table = {"1902AF": "5902AF", "22F187": "62F18741"}
    bus = ModuleBus({"7B0": [FakeModule("7B8", table), FakeModule("7B8", table)]})
    client = Client(bus)
    (found,) = read_modules(client, [AT])
    assert "two modules answer from this address" in " ".join(notes(client, found))
