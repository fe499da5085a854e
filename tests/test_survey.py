"""What exchanges say about a car; payloads typed by hand after SAE J1979 service layouts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from obdlog import identity, survey
from obdlog.client import Client
from obdlog.model import Bus, EcuMessage, Exchange, Outcome, Request
from tests.fakes import KWP, TableTransport

ENGINE, GEARBOX = "7E8", "7E9"

CODES = {
    "0100": [(ENGINE, "4100BE3EB813"), (GEARBOX, "410080000001")],
    "0120": [(ENGINE, "412080000000")],
    "0101": [(ENGINE, "410182076500"), (GEARBOX, "410100000000")],
    "03": [(ENGINE, "430201020113"), (GEARBOX, "4300")],
    "07": [(ENGINE, "47010171"), (GEARBOX, "4700")],
    "0A": [(ENGINE, "4A010102"), (GEARBOX, "7F0A11")],
    "020200": [(ENGINE, "4202000102"), (GEARBOX, "4202000000")],
    "020000": [(ENGINE, "42000048100000")],
    "020500": [(ENGINE, "4205005A")],
    "020C00": [(ENGINE, "420C000C80")],
    "0105": [(ENGINE, "41055A")],
    "010F": [(ENGINE, "410F00")],
}


def read(answers: dict, protocol=None) -> Client:
    client = Client(TableTransport(answers, *([protocol] if protocol else [])))
    client.read_codes()
    return client


def test_codes_of_each_module_carry_every_status_they_were_read_under():
    engine, gearbox = survey.survey_codes(read(CODES).exchanges, Bus.CAN)
    assert {c.code: c.status for c in engine.codes} == {
        "P0102": ("confirmed", "permanent"),
        "P0113": ("confirmed",),
        "P0171": ("pending",),
    }
    assert gearbox.codes == ()
    assert (engine.lamp, gearbox.lamp) == (True, False)
    assert (engine.name, gearbox.name) == ("engine control", "transmission control")


def test_refusing_permanent_codes_is_no_error_of_the_module():
    _, gearbox = survey.survey_codes(read(CODES).exchanges, Bus.CAN)
    assert gearbox.answered
    assert gearbox.error is None


@pytest.mark.parametrize("code", ["11", "12"])
def test_a_module_without_pending_codes_may_say_so(code):
    # ISO 14229-1: service not supported, sub-function not supported.
    answers = CODES | {"07": [(ENGINE, f"7F07{code}")]}
    engine = survey.survey_codes(read(answers).exchanges, Bus.CAN)[0]
    assert engine.error is None


def test_refusing_pending_codes_for_now_is_said():
    answers = CODES | {"07": [(ENGINE, "7F0722")]}
    engine = survey.survey_codes(read(answers).exchanges, Bus.CAN)[0]
    assert engine.error is not None
    assert engine.error.startswith("service 07 refused: ")


def test_refusing_stored_codes_is_said():
    answers = CODES | {"03": [(ENGINE, "7F0322")], "07": [], "0A": []}
    engine = survey.survey_codes(read(answers).exchanges, Bus.CAN)[0]
    assert not engine.answered
    assert engine.error is not None
    assert engine.error.startswith("service 03 refused: ")


def test_a_module_that_answers_only_other_services_is_listed_as_not_answered():
    answers = CODES | {"03": [(ENGINE, "4300")], "07": [(ENGINE, "4700")], "0A": []}
    _, gearbox = survey.survey_codes(read(answers).exchanges, Bus.CAN)
    assert not gearbox.answered
    assert gearbox.error == "did not answer the request for stored codes"


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        (Outcome.GARBLED, "the answer to the request for stored codes did not arrive whole"),
        (Outcome.TIMEOUT, "the answer to the request for stored codes did not arrive whole"),
        (Outcome.NO_DATA, "did not answer the request for stored codes"),
    ],
)
def test_a_module_whose_stored_codes_were_not_read_never_looks_clean(outcome, said):
    client = read(CODES | {"03": []})
    asked = [
        replace(e, outcome=outcome) if e.request.payload == b"\x03" else e for e in client.exchanges
    ]
    engine, gearbox = survey.survey_codes(asked, Bus.CAN)
    assert (engine.error, gearbox.error) == (said, said)


def test_pending_codes_that_arrived_damaged_are_said_to_be_missing():
    client = read(CODES | {"07": []})
    asked = [
        replace(e, outcome=Outcome.GARBLED) if e.request.payload == b"\x07" else e
        for e in client.exchanges
    ]
    assert "pending codes" in (survey.survey_codes(asked, Bus.CAN)[0].error or "")
    # Where the module simply does not know the service, nothing is missing.
    assert survey.survey_codes(client.exchanges, Bus.CAN)[0].error is None


def test_monitors_of_modules_that_cannot_be_told_apart_are_ready_only_when_all_are():
    # SAE J1979 PID 01: the engine waits for its catalyst, the gearbox only for its components.
    answers = {
        "0100": [("unknown", "4100BE3EB813"), ("unknown", "410080000000")],
        "0101": [("unknown", "410182072101"), ("unknown", "410101440000")],
    }
    client = Client(TableTransport(answers))
    client.read_readiness()
    (both,) = survey.survey_readiness(client.exchanges)
    assert both.since_clear.lamp
    assert both.since_clear.code_count == 3
    waiting = {m.name for m in both.since_clear.monitors if m.supported and not m.complete}
    assert waiting == {"catalyst", "components"}


@pytest.mark.parametrize("order", [1, -1])
def test_of_two_kinds_of_ignition_the_module_with_more_monitors_counts(order):
    spark, compression = bytes.fromhex("82072101"), bytes.fromhex("010F0000")
    merged = survey.merged_monitors(*(spark, compression)[::order])
    assert merged == bytes.fromhex("83072101")
    assert survey.merged_monitors(b"", spark) == spark


def test_calibrations_of_modules_that_cannot_be_told_apart_stand_side_by_side():
    names = [("unknown", "490401" + f"CAL-{n:012d}".encode().hex()) for n in (1, 2)]
    client = Client(TableTransport(CODES | {"0904": names}))
    client.read_vehicle()
    (both,) = [m for m in identity.survey_vehicle(client.exchanges, Bus.CAN) if m.calibrations]
    assert both.calibrations == ("CAL-000000000001", "CAL-000000000002")


def test_freeze_frame_belongs_to_its_code_and_holds_what_was_announced():
    engine, gearbox = survey.survey_codes(read(CODES).exchanges, Bus.CAN)
    (frame,) = engine.freeze_frames
    assert frame.code == "P0102"
    assert {r.signal: r.value for r in frame.readings} == {"ECT": 50, "RPM": 800.0}
    assert gearbox.freeze_frames == ()


def test_without_a_stored_frame_no_frame_data_are_asked():
    client = read(CODES | {"020200": [(ENGINE, "4202000000")]})
    assert [e.request.payload.hex() for e in client.exchanges if e.request.service == 2] == [
        "020200"
    ]


def test_legacy_codes_have_no_count_byte():
    answers = {"0100": [("10", "4100BE3EB811")], "03": [("10", "43010201130000")]}
    (engine,) = survey.survey_codes(read(answers, KWP).exchanges, Bus.LEGACY)
    assert [c.code for c in engine.codes] == ["P0102", "P0113"]
    assert engine.name == "engine control"


def test_bitmaps_are_followed_only_where_announced_and_kept_per_module():
    client = read(CODES)
    supported = survey.supported(client.exchanges)
    assert 0x21 in supported[ENGINE]
    assert 0x0C in supported[ENGINE]
    assert supported[GEARBOX] == {0x01, 0x20}
    assert "0140" not in client.transport.asked


def test_readiness_and_counters():
    answers = CODES | {
        "0100": [(ENGINE, "4100BE3EB813")],
        "0120": [(ENGINE, "412080018001")],
        "0140": [(ENGINE, "414080040000")],
        "0101": [(ENGINE, "410182076500")],
        "0141": [(ENGINE, "414100076500")],
        "0121": [(ENGINE, "41210010")],
        "0130": [(ENGINE, "413005")],
        "0131": [(ENGINE, "41310042")],
        "014E": [(ENGINE, "414E003C")],
    }
    client = Client(TableTransport(answers))
    client.read_readiness()
    (engine,) = survey.survey_readiness(client.exchanges)
    assert engine.since_clear.lamp
    assert engine.since_clear.code_count == 2
    assert engine.this_drive is not None
    counters = survey.survey_counters(client.exchanges, Bus.CAN)
    assert (counters.warm_ups_since_clear, counters.distance_since_clear_km) == (5, 66)
    assert counters.distance_with_lamp_km == 16
    assert counters.minutes_since_clear == 60
    assert counters.minutes_with_lamp is None


def test_identity_is_read_per_module():
    vin = b"XX0DEMO00A0000001".hex()
    answers = CODES | {
        "0900": [(ENGINE, "49000154400000")],
        "0902": [(ENGINE, "490201" + vin)],
        "0904": [(ENGINE, "490401" + b"DEMO-CAL-0001".hex() + "000000")],
        "0906": [(ENGINE, "49060100A1B2C3")],
        "090A": [(ENGINE, "490A01" + b"ECM\x00-EngineControl\x00\x00\x00".hex())],
    }
    client = Client(TableTransport(answers))
    client.read_vehicle()
    engine = identity.survey_vehicle(client.exchanges, Bus.CAN)[0]
    assert engine.vin == bytes.fromhex(vin).decode()
    assert engine.calibrations == ("DEMO-CAL-0001",)
    assert engine.cvns == ("00A1B2C3",)
    assert 0x0C in engine.supported
    assert 0x20 not in engine.supported


def test_counters_are_asked_where_the_bitmap_that_would_announce_them_stays_unanswered():
    answers = {
        "0100": [(ENGINE, "4100BE3EB813")],
        "0101": [(ENGINE, "410182076500")],
        "0130": [(ENGINE, "413005")],
        "0131": [(ENGINE, "4131000C")],
    }
    client = Client(TableTransport(answers))
    client.read_readiness()
    counters = survey.survey_counters(client.exchanges, Bus.CAN)
    assert (counters.warm_ups_since_clear, counters.distance_since_clear_km) == (5, 12)
    assert b"\x01\x4d" in [e.request.payload for e in client.exchanges]


def test_counters_that_no_bitmap_announces_are_not_asked():
    client = Client(TableTransport(CODES))
    client.read_readiness()
    assert b"\x01\x30" not in [e.request.payload for e in client.exchanges]


def test_older_buses_name_their_tests_after_a_filler_byte():
    # 46 TID FF A B C D: the layout of service 06 before CAN (SAE J1979).
    answers = {"0600": [("10", "4600FFC8000000")]}
    client = Client(TableTransport(answers, KWP))
    assert client.ask_bitmaps(0x06) == {"10": {1, 2, 5}}


def test_older_buses_are_asked_for_oxygen_sensor_tests_of_the_sensors_fitted():
    answers = {
        "0100": [("10", "410000002000")],
        "0113": [("10", "411301")],
        "050001": [("10", "45000180000000")],
        "050101": [("10", "45010159")],
    }
    transport = TableTransport(answers, KWP)
    client = Client(transport)
    client.read_onboard_tests()
    (test,) = survey.survey_oxygen_tests(client.exchanges)["10"]
    # 59 hex = 89 times 0.005 V.
    assert (test.test_id, test.sensor, test.value) == ("01", "01", 0.445)
    assert "050002" not in transport.asked


def test_oxygen_sensor_tests_of_the_maker_are_found_behind_the_second_bitmap():
    # Tests 21 and up are the maker's; test 20 is the bitmap of 21 to 40 (SAE J1979).
    answers = {
        "0100": [("10", "410000002000")],
        "0113": [("10", "411301")],
        "050001": [("10", "45000180000001")],
        "050101": [("10", "45010159")],
        "052001": [("10", "45200100010000")],
        "053001": [("10", "453001102030")],
    }
    transport = TableTransport(answers, KWP)
    client = Client(transport)
    client.read_onboard_tests()
    tests = survey.survey_oxygen_tests(client.exchanges)["10"]
    assert [test.test_id for test in tests] == ["01", "30"]
    assert "054001" not in transport.asked


def test_a_negative_response_without_its_code_costs_nothing_else():
    answers = CODES | {"07": [(ENGINE, "47010171"), (GEARBOX, "7F07")]}
    engine, gearbox = survey.survey_codes(read(answers).exchanges, Bus.CAN)
    assert len(engine.codes) == 3
    assert gearbox.error == "service 07 refused: refused without saying why"


def test_a_cut_code_list_is_not_called_clean():
    answers = CODES | {"03": [(ENGINE, "430201"), (GEARBOX, "4300")]}
    engine, _ = survey.survey_codes(read(answers).exchanges, Bus.CAN)
    assert engine.error is not None
    assert "counts 2 codes" in engine.error


def test_a_refusal_that_was_answered_later_is_forgotten():
    client = read(CODES | {"03": [[(GEARBOX, "7F0321")], [(ENGINE, "4300"), (GEARBOX, "4300")]]})
    client.ask(b"\x03")
    _, gearbox = survey.survey_codes(client.exchanges, Bus.CAN)
    assert gearbox.error is None


def test_a_frame_asked_as_a_whole_has_its_code_and_its_readings():
    # SAE J1979, service 02: up to three PIDs, each with its frame number, in one request.
    exchange = Exchange(
        0.0,
        Request(bytes.fromhex("02020005000C00")),
        (EcuMessage(ENGINE, bytes.fromhex("420200010205005A0C000C80")),),
    )
    (engine,) = survey.survey_codes([exchange], Bus.CAN)
    (frame,) = engine.freeze_frames
    assert frame.code == "P0102"
    assert {r.signal: r.value for r in frame.readings} == {"ECT": 50, "RPM": 800}
