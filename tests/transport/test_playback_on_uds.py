"""Recordings of cars after SAE J1979-2, and of modules asked alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog import documents, survey
from obdlog.client import Client
from obdlog.model import NO_WORK, Bus, Exchange, Generation, Outcome, Request
from obdlog.poll_plan import build_plan
from obdlog.recorder import Recorder
from obdlog.session.reader import read_session
from obdlog.transport.playback import NOT_RECORDED, PlaybackTransport
from tests import uds_car
from tests.transport.test_playback import recorded
from tests.uds_car import keep


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.session.jsonl"


def replay(path: Path) -> Client:
    client = Client(PlaybackTransport(path))
    client.connect()
    return client


def codes(client: Client) -> dict:
    return documents.codes_document(
        client.exchanges, Bus.CAN, work=NO_WORK, voltage_v=None, protocol="", read_at=""
    )


def ask(transport: PlaybackTransport, payload: str, to: str = "functional", **more) -> Exchange:
    return transport.exchange(Request(bytes.fromhex(payload), to, **more))


def test_the_file_holds_what_went_over_the_wire(path):
    keep(path, "read_codes")
    asked = [e.request.payload.hex().upper() for e in read_session(path).exchanges]
    assert asked[0] == "22F400"
    assert uds_car.CODES_REPORT in asked
    assert not [a for a in asked if a[:2] not in ("22", "19")]


@pytest.mark.parametrize(
    ("question", "document"),
    [
        ("read_vehicle", lambda c: documents.vehicle_document(c.exchanges, Bus.CAN, "")),
        ("read_codes", codes),
        ("read_readiness", lambda c: documents.readiness_document(c.exchanges, Bus.CAN)),
        ("read_onboard_tests", lambda c: documents.tests_document(c.exchanges, Bus.CAN)),
    ],
)
def test_a_recording_answers_like_the_car(path, question, document):
    live = keep(path, question)
    again = replay(path)
    getattr(again, question)()
    assert document(again) == document(live)


def test_test_results_are_found_without_the_bitmaps_that_announce_them(path):
    results = "62F601" + "0B24000100000005"
    recorded(path, (1.0, "22F601", "functional", (("7E8", results),)))
    client = replay(path)
    client.read_onboard_tests()
    assert [t.test_id for t in survey.survey_tests(client.exchanges, Bus.CAN)["7E8"]] == ["0B"]


def test_signals_are_found_in_whatever_request_they_were_logged(path):
    recorded(
        path,
        (1.0, "22F40CF40D", "functional", (("7E8", "62F40C1AF8F40D37"), ("7E9", "62F40D38"))),
        (2.0, "22F40CF405", "functional", (("7E8", "62F40C1B00F4057B"),)),
    )
    client = replay(path)
    exchange = client.ask(b"\x01\x0d\x05")
    assert [(m.source, m.payload.hex().upper()) for m in exchange.messages] == [
        ("7E8", "410D37057B"), ("7E9", "410D38")
    ]  # fmt: skip
    speeds = [client.ask(b"\x01\x0c").positive()[0].payload.hex().upper() for _ in range(3)]
    assert speeds == ["410C1AF8", "410C1B00", "410C1B00"]


def test_a_drive_can_be_polled_again(path):
    keep(path, drive_s=5.0)
    polled = sum(e.request.purpose == "poll" for e in read_session(path).exchanges)
    client = replay(path)
    transport = client.transport
    again = Recorder(
        client,
        build_plan(client),
        should_stop=lambda _: "played out" if transport.at_end else "",
    ).run()
    assert again.reason == "played out"
    assert again.exchanges >= polled / 2
    assert again.lost_exchanges == 0


@pytest.mark.parametrize(
    ("answered", "generation"),
    [
        ([("22F40C", "62F40C1AF8")], Generation.ON_UDS),
        ([("22F802", "62F802" + uds_car.VIN.encode().hex())], Generation.ON_UDS),
        ([("1942330C1E", "594233FF1E04")], Generation.ON_UDS),
        ([("010C", "410C1AF8")], Generation.CLASSIC),
        # A classic car may answer by identifier too; its own current data tell.
        ([("010C", "410C1AF8"), ("22F40C", "62F40C1AF8")], Generation.CLASSIC),
        # Modules of a classic car, asked by ISO 14229-1.
        ([("1902AF", "5902FF"), ("22F190", "62F190")], Generation.CLASSIC),
        ([("0100", "7F0111"), ("22F400", "62F400BE1FA813")], Generation.ON_UDS),
        ([("22F400", "7F2231")], Generation.CLASSIC),
    ],
)
def test_the_generation_is_told_from_the_answers(path, answered, generation):
    recorded(
        path,
        *(
            (float(at), ask, "functional", (("7E8", got),))
            for at, (ask, got) in enumerate(answered)
        ),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    assert transport.generation is generation


@pytest.mark.parametrize("reply_from", [None, "7B8"])
def test_a_module_asked_alone_answers_again(path, reply_from):
    recorded(
        path,
        (1.0, "3E00", "7B0", (("7B8", "7E00"),)),
        (2.0, "1902AF", "7B0", (("7B8", "5902FF40350024"),)),
        (3.0, "1902AF", "737", (("73F", "5902FF"),)),
        (4.0, "010C", "functional", (("7E8", "410C1AF8"),)),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    answer = ask(transport, "1902AF", "7B0", reply_from=reply_from, wait_s=0.06)
    assert [(m.source, m.payload.hex().upper()) for m in answer.messages] == [
        ("7B8", "5902FF40350024")
    ]
    assert ask(transport, "22F190", "7B0", reply_from=reply_from).outcome is Outcome.NO_DATA


def test_what_all_were_asked_answers_for_a_module_at_any_address(path):
    replies = (("7E8", "5902FF"), ("77A", "5902FF91234524"))
    recorded(path, (1.0, "1902AF", "functional", replies))
    transport = PlaybackTransport(path)
    transport.connect()
    answer = ask(transport, "1902AF", "710", reply_from="77A")
    assert [m.source for m in answer.messages] == ["77A"]


def test_a_search_through_a_recording_takes_no_time(path):
    recorded(path, (1.0, "3E00", "7B0", (("7B8", "7E00"),)))
    transport = PlaybackTransport(path)
    transport.connect()
    found = [
        f"{address:03X}"
        for address in range(0x700, 0x7F8)
        if ask(transport, "3E00", f"{address:03X}", purpose="identify", wait_s=0.06).messages
    ]
    assert found == ["7B0"]
    assert transport.clock.now_s() < 0.1
    assert ask(transport, "3E00", "701").note == NOT_RECORDED


CONFIRMED = ("194233081E", "594233FFFE04" + "0201711108" + "020102160F")
PENDING = ("194233041E", "594233FFFE04" + "020102160E" + "0203012904")


@pytest.mark.parametrize(
    ("lists", "found"),
    [
        ((CONFIRMED, PENDING), "594233FFFE04" + "0201711108" + "020102160E" + "0203012904"),
        (((CONFIRMED[0][:6] + "FF1E", CONFIRMED[1]),), CONFIRMED[1]),
        (((CONFIRMED[0][:6] + "0CFF", CONFIRMED[1]),), CONFIRMED[1]),
        ((CONFIRMED,), None),  # who asked for confirmed ones only, knows nothing of pending ones
        (((CONFIRMED[0][:6] + "0C02", CONFIRMED[1]),), None),
        (((CONFIRMED[0][:4] + "D00C1E", CONFIRMED[1]),), None),
    ],
    ids=["two together", "more bits", "more severities", "too few", "severities", "another group"],
)
def test_codes_are_found_whatever_masks_another_tester_asked_with(path, lists, found):
    """The mask of 19 42 only chooses among codes; each carries its whole status (ISO 14229-1)."""
    rows = [(n, ask_, "functional", (("7E8", got),)) for n, (ask_, got) in enumerate(lists)]
    recorded(path, *rows)
    transport = PlaybackTransport(path)
    transport.connect()
    messages = ask(transport, uds_car.CODES_REPORT).messages
    assert [m.payload.hex().upper() for m in messages] == ([found] if found else [])


def test_a_refused_list_stays_refused(path):
    recorded(path, (0.0, "194233081E", "functional", (("7E8", "7F1931"),)),
             (1.0, "194233041E", "functional", (("7E8", "7F1931"),)))  # fmt: skip
    transport = PlaybackTransport(path)
    transport.connect()
    assert ask(transport, uds_car.CODES_REPORT).outcome is Outcome.REFUSED
