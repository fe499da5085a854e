"""Readings that programs most often get wrong, one test a fact.

Each title or comment names the public source (a key of docs/references.md) or says "from memory".
Values are typed by hand. Messages stand in test_known_errors_messages.py,
figures that are computed in test_known_errors_figures.py.
"""

from __future__ import annotations

import pytest

from obdlog.client import Client
from obdlog.model import Bus
from obdlog.services.codes import parse_codes
from obdlog.services.current_data import parse_current_data, split_current_data
from obdlog.services.freeze_frame import parse_freeze_frames
from obdlog.survey import supported
from obdlog.tables.decode import EMPTY, Context, decode_pid
from obdlog.tables.monitors import decode_monitors
from obdlog.tables.signals import by_name, lengths
from obdlog.tables.uasid import scaling
from tests.fakes import TableTransport


def values(pid: int, data: str, context: Context = EMPTY) -> dict[str, object]:
    return {r.signal: r.value for r in decode_pid(pid, bytes.fromhex(data), context)}


def monitors(data: str, *, this_drive: bool = False) -> dict[str, tuple[bool, bool | None]]:
    status = decode_monitors(bytes.fromhex(data), this_drive=this_drive)
    return {m.name: (m.supported, m.complete) for m in status.monitors}


# Readiness: WIKI-OBD2 "Service 01 PID 01"; bit 4 of C from SAE-J1979, from memory.


@pytest.mark.parametrize(
    ("data", "monitor", "supported", "complete"),
    [
        ("00000100", "catalyst", True, True),  # completeness bit 0: done
        ("00000101", "catalyst", True, False),  # 1: not done
        ("00000001", "catalyst", False, None),  # not fitted: its bit says nothing
        ("00008080", "egr-vvt", True, False),  # bit 7 of C and D
        ("00080101", "nmhc-catalyst", True, False),  # byte B bit 3: the map of diesels
        ("00080202", "nox-scr", True, False),
        ("00001010", "ac-refrigerant-or-gpf", True, False),  # either, by edition: both named
        ("00110000", "misfire", True, False),
        ("00100000", "misfire", False, None),
    ],
)
def test_completeness_is_inverted_and_counts_only_where_supported(
    data, monitor, supported, complete
):
    assert monitors(data)[monitor] == (supported, complete)


def test_a_monitor_that_is_not_fitted_has_no_completeness_in_the_readings():
    """WIKI-OBD2: "not supported" and "not complete" are two things."""
    assert values(0x01, "00000001")["CAT_RDY"] is None
    assert values(0x01, "00000101")["CAT_RDY"] is False


def test_diesel_bits_never_show_under_the_names_of_petrol():
    """WIKI-OBD2: bit 3 of byte B chooses the map of bytes C and D."""
    assert "catalyst" not in monitors("00080101")
    assert "CAT_SUP" not in values(0x01, "00080101")


@pytest.mark.parametrize(
    ("byte", "lamp", "count"), [("80", True, 0), ("7F", False, 127), ("82", True, 2)]
)
def test_the_lamp_is_bit_7_and_the_count_the_low_seven(byte, lamp, count):
    """WIKI-OBD2, PID 01 byte A."""
    found = values(0x01, byte + "000000")
    assert (found["MIL"], found["DTC_CNT"]) == (lamp, count)


def test_pid_41_says_enabled_this_drive_not_fitted():
    """WIKI-OBD2, PID 41."""
    status = decode_monitors(bytes.fromhex("00000100"), this_drive=True)
    assert status.monitors
    assert "enabled" in by_name("CAT_ENA").label.lower()


# Support bitmaps: SAE-J1979; WIKI-OBD2 "Service 01 PID 00".


def test_support_is_known_for_each_module_by_itself():
    table = {"0100": [("7E8", "410018000001"), ("7E9", "410000100000")],
             "0120": [("7E8", "412000020000")]}  # fmt: skip
    client = Client(TableTransport(table))
    client.ask_bitmaps(0x01)
    found = supported(client.exchanges)
    assert found["7E8"] == {0x04, 0x05, 0x20, 0x2F}
    assert found["7E9"] == {0x0C}


def test_the_next_bitmap_is_asked_only_where_the_last_bit_is_set():
    transport = TableTransport({"0100": [("7E8", "410018000000")]})
    Client(transport).ask_bitmaps(0x01)
    assert transport.asked == ["0100"]


# Oxygen sensors: WIKI-OBD2, PIDs 13 to 1D, 24 to 2B, 34 to 3B.


@pytest.mark.parametrize(
    ("layout", "pid", "data", "place"),
    [
        ("13", 0x16, "5A80", "B1S3"),
        ("1D", 0x16, "5A80", "B2S1"),
        ("13", 0x18, "5A80", "B2S1"),
        ("1D", 0x18, "5A80", "B3S1"),
        ("13", 0x2B, "80008000", "B2S4"),
        ("1D", 0x2B, "80008000", "B4S2"),
        ("1D", 0x36, "80008000", "B2S1"),
    ],
)
def test_pid_13_or_1d_decides_which_sensor_is_meant(layout, pid, data, place):
    context = EMPTY.updated(int(layout, 16), b"\xff")
    assert all(f"({place})" in r.label for r in decode_pid(pid, bytes.fromhex(data), context))


def test_without_13_or_1d_the_place_stays_open():
    assert not any("(B" in r.label for r in decode_pid(0x16, b"\x5a\x80"))


def test_trim_byte_ff_of_a_sensor_means_not_used_for_trim():
    found = values(0x14, "5AFF")
    assert found == {"O2S1_V": pytest.approx(0.45), "O2S1_SHRTFT": None}


# Support bits in the data: WIKI-OBD2, PIDs 66 to 8F; 70, 71, 7A, 8F from one public table.


@pytest.mark.parametrize(
    ("pid", "data", "signal"),
    [
        (0x67, "000000", "ECT1"),  # never −40 °C
        (0x68, "00" + "00" * 6, "IAT11"),
        (0x78, "00" + "00" * 8, "EGT11"),
        (0x66, "0000000000", "MAFA"),  # never 0 g/s
        (0x7F, "00" * 13, "RUN_TIME"),
        (0x8C, "00" * 17, "LAMBDA11"),
        (0x9A, "000000000000", "HEV_BATT_A"),
    ],
)
def test_a_field_whose_support_bit_is_clear_has_no_value(pid, data, signal):
    assert values(pid, data)[signal] is None


@pytest.mark.parametrize(
    ("pid", "data", "present"),
    [
        (0x70, "08" + "00" * 9, {"BP_B_CMD"}),  # bits 0, 1, 2 are A, 3, 4, 5 are B …
        (0x70, "04" + "00" * 9, {"BP_A_CS"}),  # … while the states stand at the end
        (0x71, "10" + "00" * 5, {"VGT_B_ACT"}),
        (0x71, "20" + "00" * 5, {"VGT_B_CS"}),
    ],
)
def test_support_bits_do_not_always_follow_the_order_of_the_data(pid, data, present):
    assert {name for name, value in values(pid, data).items() if value is not None} == present


@pytest.mark.parametrize(
    ("pid", "data", "signal", "value"),
    [
        (0x6B, "0164000000", "EGRT11", 60),  # bit 0: 100 − 40
        (0x6B, "1064000000", "EGRT11", 360),  # bit 4: 4 × 100 − 40
        (0x6F, "016400", "TCA_CINP", 100),
        (0x6F, "046400", "TCA_CINP", 800),  # bit 2: eight times as wide
    ],
)
def test_some_support_bits_also_change_the_scale(pid, data, signal, value):
    assert values(pid, data)[signal] == value


# Scales: SAE-J1979, from memory; test_signals.py has more of them.


@pytest.mark.parametrize(
    ("scales", "pid", "data", "signal", "value"),
    [
        ({0x4F: "05000000"}, 0x44, "3333", "LAMBDA_CMD", 1.0),  # raw × 5 / 65535
        ({0x4F: "000A0000"}, 0x24, "00003333", "WO2S1_V", 2.0),
        ({0x4F: "00004000"}, 0x34, "00008400", "WO2S1_I", 2.0),  # (raw − 8000h) × 64 / 32768
        ({0x4F: "00000033"}, 0x0B, "32", "MAP", 100.0),  # raw × 510 / 255
        ({0x50: "33000000"}, 0x10, "6464", "MAF", 200.0),  # raw × 510 / 65535
    ],
)
def test_a_full_scale_that_is_not_zero_replaces_the_standard_one(scales, pid, data, signal, value):
    context, zero = EMPTY, EMPTY
    for key, told in scales.items():
        context = context.updated(key, bytes.fromhex(told))
        zero = zero.updated(key, bytes(4))
    assert values(pid, data, context)[signal] == pytest.approx(value, rel=1e-12)
    assert values(pid, data, zero)[signal] == values(pid, data)[signal] != value


@pytest.mark.parametrize(
    ("pid", "data", "signal", "value"),
    [
        (0x32, "FFFC", "EVAP_VP", -1),  # WIKI-OBD2: two's complement, quarter Pa
        (0x32, "8000", "EVAP_VP", -8192),
        (0x54, "FFFF", "EVAP_VP_W", -1),  # 1 Pa
        (0x7A, "01FF9C00000000", "DPF1_DP", -1),  # 0.01 kPa
        (0x7B, "01FF9C00000000", "DPF2_DP", -1),
        (0x9A, "040000" + "00FF9C", "HEV_BATT_A", -10),  # 0.1 A
    ],
)
def test_signed_values(pid, data, signal, value):
    assert values(pid, data)[signal] == value


def test_signed_test_scalings_keep_their_sign_in_both_limits():
    """SCAPY-OBD; UASIDs 80 to FE are two's complement: 8000 lowest, 7FFF highest."""
    for number in (0x81, 0x8A, 0x96, 0xFC, 0xFE):
        found = scaling(number)
        assert found is not None
        assert found.decode(0x8000) < found.decode(0xFFFF) < 0 < found.decode(0x7FFF)


@pytest.mark.parametrize(
    ("pid", "data", "signal", "value", "unit"),
    [
        (0x10, "0FA0", "MAF", 40, "g/s"),  # two bytes / 100
        (0x66, "0105000000", "MAFA", 40, "g/s"),  # / 32
        (0x9D, "00640032", "ENG_FUEL_RATE", 2, "g/s"),
        (0x5E, "0064", "FUEL_RATE", 5, "L/h"),
        (0x4D, "003C", "MIL_TIME", 60, "min"),
        (0x4E, "003C", "CLR_TIME", 60, "min"),
        (0x34, "80008200", "WO2S1_I", 2, "mA"),  # raw / 256 − 128
        (0x34, "80000000", "WO2S1_I", -128, "mA"),
        (0x70, "010C8000000000000000", "BP_A_CMD", 100, "kPa"),  # × 1/32
    ],
)
def test_scales_that_are_easily_mixed_up(pid, data, signal, value, unit):
    """WIKI-OBD2, except 70: docs/references.md, "Known slips"."""
    assert values(pid, data)[signal] == value
    assert by_name(signal).unit == unit


def test_pid_5b_is_the_state_of_charge_not_the_remaining_life():
    """SAE-J1979, from memory; the article calls it remaining life."""
    assert "charge" in by_name("BAT_PWR").label.lower()


def test_engine_run_times_are_told_as_such():
    """WIKI-OBD2: 4D and 4E count engine minutes, not time of day."""
    assert "run" in by_name("MIL_TIME").label.lower()
    assert "run" in by_name("CLR_TIME").label.lower()


@pytest.mark.parametrize(("signal", "top"), [("WARM_UPS", 255), ("CLR_DIST", 65535)])
def test_counters_that_stop_at_their_end(signal, top):
    """WIKI-OBD2: 30 and 31 do not begin again at zero."""
    assert by_name(signal).high == top
    assert "does not wrap" in by_name(signal).note


@pytest.mark.parametrize(
    ("pid", "sizes"),
    [(0x68, {7}), (0x6D, {11}), (0x6E, {9}), (0x70, {10}), (0x71, {6}), (0x7F, {13}), (0x8C, {17}),
     (0x8F, {7}), (0x81, {41, 21}), (0x82, {41, 21}), (0x89, {41, 21}), (0x8A, {41, 21}),
     (0x83, {9, 5})],
)  # fmt: skip
def test_lengths_that_public_lists_get_wrong(pid, sizes):
    """SAE-J1699-3 and one public table; see docs/references.md, "Known slips"."""
    assert set(lengths(pid)) == sizes


def test_the_length_chooses_between_two_forms_of_a_pid():
    """One public table: 83 with nine bytes has four sensors, with five only two."""
    assert values(0x83, "0F0064006500660067")["NOX12"] == 101
    assert "NOX12" not in values(0x83, "0300640066")
    assert values(0x83, "0300640066")["NOX21"] == 102


# Several PIDs in one reply: SAE-J1979.


def test_a_reply_may_come_in_any_order_and_leave_pids_out():
    reply = bytes.fromhex("410D320C1AF8")
    assert [r.signal for r in parse_current_data(reply, requested=[0x0C, 0x05, 0x0D])] == [
        "VSS",
        "RPM",
    ]


@pytest.mark.parametrize(
    ("reply", "layout", "expected"),
    [
        ("41068007800C1AF8", "", [(0x06, "80"), (0x07, "80"), (0x0C, "1AF8")]),
        ("41068090078070" + "0C1AF8", "33", [(0x06, "8090"), (0x07, "8070"), (0x0C, "1AF8")]),
        ("41558090" + "588070" + "0D32", "F3", [(0x55, "8090"), (0x58, "8070"), (0x0D, "32")]),
    ],
    ids=["one byte", "two bytes with bank 3", "55 and 58 with banks 3 and 4"],
)
def test_trims_have_a_second_byte_where_pid_1d_has_a_third_bank(reply, layout, expected):
    context = EMPTY.updated(0x1D, bytes.fromhex(layout)) if layout else EMPTY
    found = split_current_data(bytes.fromhex(reply), [pid for pid, _ in expected], context)
    assert list(found) == [(pid, bytes.fromhex(data)) for pid, data in expected]


@pytest.mark.parametrize(
    ("pid", "signal", "first", "text"),
    [
        (0x03, "FUELSYS1", "0000", "off"),
        (0x12, "AIR_STAT", "00", "none"),
        (0x03, "FUELSYS1", "2000", "bank 2"),
        (0x03, "FUELSYS1", "4000", "bank 2"),
        (0x03, "FUELSYS1", "8000", "bank 2"),
    ],
)
def test_zero_has_its_own_meaning_and_newer_bits_tell_of_bank_2(pid, signal, first, text):
    """SAE-J1979, from memory."""
    assert text in str(values(pid, first)[signal])


# Freeze frames: SAE-J1979, service 02.


def test_a_freeze_frame_reply_carries_the_number_of_its_frame():
    (frame,), problem = parse_freeze_frames(bytes.fromhex("420C001AF8"))
    assert (frame.frame, problem) == (0, "")
    assert [(r.signal, r.value) for r in frame.readings] == [("RPM", 1726)]


def test_code_0000_of_a_freeze_frame_means_that_there_is_none():
    (frame,), _ = parse_freeze_frames(bytes.fromhex("4202000000"))
    assert frame.empty
    assert frame.code is None
    assert parse_codes(b"\x43\x00", Bus.CAN) == ()
