"""A car after SAE J1979-2 through the questions of `Client`: only the bytes differ."""

from __future__ import annotations

import pytest
from udsoncan import Dtc
from udsoncan.services import ReadDataByIdentifier, ReadDTCInformation

from obdlog import documents, identity, on_uds, survey
from obdlog.client import Client
from obdlog.erase.evidence import ask_evidence, require_complete, verify_evidence
from obdlog.erase.orders import generic_order
from obdlog.erase.sending import send_erase
from obdlog.errors import RefusedError
from obdlog.model import NO_WORK, Bus, Exchange, Generation, Outcome, Request
from obdlog.poll_plan import build_plan
from obdlog.recorder import Recorder
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.transport.recording import RecordingTransport
from tests import uds_car
from tests.fakes import TableTransport
from tests.uds_car import ENGINE, GEARBOX


@pytest.fixture
def client() -> Client:
    return Client(uds_car.transport())


def asked(client: Client) -> list[str]:
    transport = client.transport
    assert isinstance(transport, TableTransport)
    return transport.asked


def test_current_data_go_out_as_identifiers_and_come_back_as_pids(client):
    exchange = client.ask(b"\x01\x0c\x0d\x05")
    assert asked(client) == ["22F40CF40DF405"]
    assert exchange.request.payload == b"\x01\x0c\x0d\x05"
    assert [(m.source, m.payload.hex().upper()) for m in exchange.messages] == [
        (ENGINE, "410C0C800D00055A"), (GEARBOX, "410D00")
    ]  # fmt: skip


def test_more_than_three_pids_are_several_requests_and_one_answer(client):
    exchange = client.ask(b"\x01\x04\x05\x0b\x0c\x0d\x11")
    assert asked(client) == ["22F404F405F40B", "22F40CF40DF411"]
    message, other = exchange.messages
    assert message.payload.hex().upper() == "4104" + "40055A0B20" + "0C0C800D001120"
    assert (other.source, other.payload) == (GEARBOX, b"\x41\x0d\x00")
    # The second answer came 0.01 s after its own request, which went out 0.01 s later.
    assert message.after_s == pytest.approx(0.02)
    assert [e.request.payload for e in client.exchanges] == [
        b"\x01\x04\x05\x0b", b"\x01\x0c\x0d\x11"
    ]  # fmt: skip


def test_a_part_without_answer_leaves_the_other(client):
    exchange = client.ask(b"\x01\x0c\x0d\x05\x7e")
    assert exchange.outcome is Outcome.ANSWERED
    assert exchange.positive()[0].payload.hex().upper() == "410C0C800D00055A"


@pytest.mark.parametrize(
    ("outcomes", "whole"),
    [
        (("answered", "no-data"), "answered"),
        (("refused", "answered"), "answered"),
        (("refused", "no-data"), "refused"),
        (("answered", "garbled"), "garbled"),
        (("timeout", "refused"), "timeout"),
        (("no-data", "no-data"), "no-data"),
    ],
)
def test_what_is_lost_of_a_part_counts_for_all(outcomes, whole):
    parts = [Exchange(0.0, Request(b"\x01\x0c"), (), Outcome(text)) for text in outcomes]
    assert on_uds.joined(Request(b"\x01\x0c\x0d"), parts).outcome == whole


def test_requests_agree_with_udsoncan(client):
    """The same requests as a public library of ISO 14229-1 encodes them."""
    client.ask(b"\x01\x0c\x0d\x05")
    client.read_codes()
    client.read_readiness()
    codec = dict.fromkeys((0xF40C, 0xF40D, 0xF405, 0xF802), "B")
    subs = ReadDTCInformation.Subfunction
    code = Dtc(int(uds_car.CODE, 16))
    theirs = [
        ReadDataByIdentifier.make_request([0xF40C, 0xF40D, 0xF405], codec),
        ReadDataByIdentifier.make_request([0xF802], codec),
        ReadDTCInformation.make_request(
            subs.reportWWHOBDDTCByMaskRecord,
            functional_group_id=0x33,
            status_mask=0x0C,
            severity_mask=0x1E,
        ),
        ReadDTCInformation.make_request(
            subs.reportWWHOBDDTCWithPermanentStatus, functional_group_id=0x33
        ),
        ReadDTCInformation.make_request(
            subs.reportDTCSnapshotRecordByDTCNumber, dtc=code, snapshot_record_number=0xFF
        ),
        ReadDTCInformation.make_request(
            subs.reportDTCExtendedDataRecordByDTCNumber, dtc=code, extended_data_record_number=0xFF
        ),
    ]
    for request in theirs:
        assert request.get_payload().hex().upper() in asked(client)


@pytest.mark.parametrize("payload", ["1003", "1002", "14FFFF33", "2701", "2EF40C00", "04", ""])
def test_what_changes_the_vehicle_is_not_asked(client, payload):
    with pytest.raises(RefusedError):
        client.ask(bytes.fromhex(payload), target="7B0", reply_from="7B8", wait_s=0.06)
    assert asked(client) == []


@pytest.mark.parametrize("payload", ["1001", "3E00", "1902AF", "1800FF00", "17FF00", "22F190"])
def test_modules_are_asked_alone_in_their_own_words(client, payload):
    exchange = client.ask(bytes.fromhex(payload), target="7B0", reply_from="7B8", wait_s=0.06)
    request = exchange.request
    assert asked(client) == [payload]
    assert (request.target, request.reply_from, request.wait_s) == ("7B0", "7B8", 0.06)


def test_identity_is_read_from_f8(client):
    client.read_vehicle()
    document = documents.vehicle_document(client.exchanges, Bus.CAN, "CAN")
    engine = document["modules"][0]
    assert document["vin"] == uds_car.VIN
    assert engine["calibrations"] == ["INVENTED-CAL-001"]
    assert engine["cvns"] == ["00A1B2C3"]
    assert engine["ecu_name"] == "ECM-EngineControl"
    assert [s["pid"] for s in engine["signals"]] == [f"{p:02X}" for p in uds_car.DATA]


def test_identifiers_without_a_public_meaning_stay_bytes(client):
    client.read_vehicle()
    assert survey.further_data(client.exchanges) == {ENGINE: {"F502": b"\xbe\xef"}}
    document = documents.vehicle_document(client.exchanges, Bus.CAN, "CAN")
    assert document["modules"][0]["further"] == [{"identifier": "F502", "data": "BEEF"}]


def test_codes_come_by_their_status_bits(client):
    client.read_codes()
    engine, gearbox = survey.survey_codes(client.exchanges, Bus.CAN)
    assert (engine.address, gearbox.address) == (ENGINE, GEARBOX)
    first, second = engine.codes
    assert (first.code, first.failure_type) == ("P0562", "16")
    assert {"confirmed", "permanent", "failing-now", "lamp-requested"} <= set(first.status)
    assert (second.code, second.failure_type, second.status) == ("P0302", "00", ("pending",))
    assert (engine.lamp, gearbox.lamp) == (True, False)
    assert gearbox.answered
    assert gearbox.codes == ()
    assert engine.error is None


def test_snapshots_are_asked_of_the_module_that_has_the_code(client):
    client.read_codes()
    stored = [e.request for e in client.exchanges if e.request.payload[:2] == b"\x19\x04"]
    assert {(r.target, r.reply_from) for r in stored} == {("7E0", "7E8")}
    document = documents.codes_document(
        client.exchanges, Bus.CAN, work=NO_WORK, voltage_v=None, protocol="", read_at=""
    )
    (frame,) = document["modules"][0]["freeze_frames"]
    assert frame["code"] == "P0562"
    values = {r["signal"]: r["value"] for r in frame["readings"]}
    assert values == {"RPM": 800, "VSS": 0}


def test_a_module_that_offers_no_stored_data_is_asked_once():
    table = uds_car.answers()
    for kind in ("1904", "1906"):
        for code in (uds_car.CODE, uds_car.OTHER_CODE):
            table[f"{kind}{code}FF"] = [(ENGINE, "7F1912")]
    client = Client(TableTransport(table, generation=Generation.ON_UDS))
    client.read_codes()
    assert [a[:4] for a in asked(client) if a[:4] in ("1904", "1906")] == ["1904", "1906"]


def test_a_hostile_number_of_codes_is_not_asked_one_by_one():
    many = "".join(f"02{n:06X}0C" for n in range(1, 600))
    table = uds_car.answers() | {uds_car.CODES_REPORT: [(ENGINE, "594233FF1E04" + many)]}
    client = Client(TableTransport(table, generation=Generation.ON_UDS))
    client.read_codes()
    snapshots = [a for a in asked(client) if a.startswith("1904")]
    assert len(snapshots) == on_uds.MOST_CODES


def test_readiness_is_that_of_f401_with_groups_beside_it(client):
    client.read_readiness()
    document = documents.readiness_document(client.exchanges, Bus.CAN)
    engine = document["modules"][0]
    assert (engine["lamp"], engine["code_count"], engine["ignition"]) == (True, 1, "spark")
    assert engine["this_drive"]
    assert document["counters"]["warm_ups_since_clear"] == 5
    assert document["counters"]["distance_since_clear_km"] == 100
    assert document["groups"] == [
        {
            "address": ENGINE,
            "name": "engine control",
            "group": "01",
            "codes": [
                {
                    "code": "P0562",
                    "failure_type": "16",
                    "status": list(document["groups"][0]["codes"][0]["status"]),
                    "status_byte": "AF",
                }
            ],
        },
        {
            "address": ENGINE,
            "name": "engine control",
            "group": "02",
            "codes": [
                {
                    "code": "P0302",
                    "failure_type": "00",
                    "status": ["not-tested", "not-tested-this-cycle"],
                    "status_byte": "50",
                }
            ],
        },
    ]


@pytest.mark.parametrize(
    ("answers", "groups"),
    [
        # All at once, where the car gives them so.
        ({"195633FF": [(ENGINE, f"595633FF0401{uds_car.CODE}AF")]}, ["FF"]),
        # Not offered at all.
        ({"195633FF": [(ENGINE, "7F1912")]}, ["FF"]),
        # One by one: two in a row without an answer end it.
        ({}, ["FF", "01", "02", "03", "04"]),
        # A module that answers whatever it is asked.
        (
            {f"195633{n:02X}": [(ENGINE, f"595633FF04{n:02X}")] for n in range(256)},
            ["FF", *(f"{n:02X}" for n in range(1, on_uds.MOST_GROUPS + 1))],
        ),
    ],
)
def test_the_search_for_groups_ends(answers, groups):
    client = Client(TableTransport(uds_car.answers() | answers, generation=Generation.ON_UDS))
    client.read_readiness()
    assert [a[6:] for a in asked(client) if a.startswith("1956")] == groups


def test_a_classic_car_is_asked_none_of_it():
    client = Client(TableTransport({"0100": [(ENGINE, "4100BE1FA813")]}))
    client.read_vehicle()
    client.read_codes()
    client.read_readiness()
    assert not [a for a in asked(client) if a[:2] in ("19", "22")]


def test_test_results_are_read_from_f6(client):
    client.read_onboard_tests()
    tests = documents.tests_document(client.exchanges, Bus.CAN)["modules"][0]["tests"]
    assert [(t["monitor_id"], t["test_id"], t["result"]) for t in tests] == [
        ("01", "0B", "pass"), ("01", "0C", "pass")
    ]  # fmt: skip


def test_the_engine_speed_that_an_erase_is_checked_by(client):
    assert client.engine_speed_rpm() == 800
    assert client.vehicle_speed_kmh() == 0


@pytest.mark.parametrize(
    ("most", "refusal", "size"), [(3, "13", 3), (2, "13", 2), (1, "13", 1), (1, "31", 1)]
)
def test_a_plan_takes_as_many_identifiers_a_request_as_the_car_answers(most, refusal, size):
    client = Client(uds_car.transport(most, refusal=refusal))
    plan = build_plan(client)
    assert max(map(len, (*plan.fast, *plan.slow))) == size
    recording = Recorder(client, plan).run(for_s=3.0)
    assert recording.lost_exchanges == 0
    assert recording.readings > 0


def test_a_log_has_the_readings_of_each_signal(client):
    recorder = Recorder(client, build_plan(client, [0x0C, 0x0D, 0x05, 0x0B]), keep_latest=True)
    recorder.run(for_s=1.0)
    latest = {key: reading.value for key, (_, reading) in recorder.progress.latest.items()}
    assert latest[ENGINE, "RPM"] == 800
    assert latest[ENGINE, "ECT"] == 50


def test_the_vin_is_known_whichever_way_it_was_asked(client):
    client.read_codes()
    assert identity.vin_of(client.exchanges, Bus.CAN) == uds_car.VIN


def test_an_erase_with_its_evidence_and_the_read_back(tmp_path):
    """SAE J1979-2: service 14 of ISO 14229-1 with the group of emission-related codes, FFFF33."""
    codes = uds_car.answers()[uds_car.CODES_REPORT]
    cleared = [(ENGINE, "594233FF1E04"), (GEARBOX, "594233FF1E04")]
    table = uds_car.answers() | {
        uds_car.CODES_REPORT: [codes, cleared],
        # The permanent code stays, with the status of a test that has not run.
        uds_car.PERMANENT_REPORT: [
            [(ENGINE, f"595533FF04{uds_car.CODE}{status}")] for status in ("AF", "50")
        ],
        "14FFFF33": [(ENGINE, "54"), (GEARBOX, "7F1422")],
        "22F40C": [(ENGINE, "62F40C0000")],  # the engine stands
    }
    road = TableTransport(table, generation=Generation.ON_UDS)
    evidence = tmp_path / "evidence.session.jsonl"
    with SessionWriter(evidence, SessionHeader(version=1), road.clock) as writer:
        client = Client(RecordingTransport(road, writer))
        ask_evidence(client)
        writer.end("evidence")
    verify_evidence(evidence, client.exchanges)
    require_complete(client.exchanges, Bus.CAN)
    before = survey.survey_codes(client.exchanges, Bus.CAN)
    with SessionWriter(tmp_path / "b.session.jsonl", SessionHeader(version=1), road.clock) as after:
        order = generic_order(road.generation)
        engine, gearbox = send_erase(road, after, before, [order]).modules
    assert (engine.accepted, engine.before, engine.after) == (True, ("P0562", "P0302"), ("P0562",))
    assert engine.stored == ()
    assert (gearbox.accepted, gearbox.after) == (False, ())
    assert road.asked.count("14FFFF33") == 1
