"""What exchanges say about a car; payloads typed by hand after SAE J1979 service layouts."""

from __future__ import annotations

from obdlog import survey
from obdlog.client import Client
from obdlog.model import Bus
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
    engine = survey.survey_vehicle(client.exchanges, Bus.CAN)[0]
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
