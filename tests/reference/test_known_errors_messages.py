"""Codes, test results, identification and transport that programs most often get wrong.

Each title or comment names the public source (a key of docs/references.md) or says "from memory".
Readings stand in test_known_errors_readings.py. Flow control and its times belong to the adapter,
or on a direct CAN bus to can-isotp, a general-purpose library: those tests document that it
behaves as the standard wants.
"""

from __future__ import annotations

import time
from typing import Any

import can
import isotp
import pytest

from obdlog.codes.meaning import Definer, describe
from obdlog.framing import assemble
from obdlog.framing.crc import crc8_j1850, sum8
from obdlog.model import Bus, EcuMessage, Exchange, Outcome, Request
from obdlog.services.codes import parse_codes, read_codes, status_names
from obdlog.services.decode import decode_line
from obdlog.services.onboard_tests import name_of_monitor, parse_tests
from obdlog.services.refusals import meaning
from obdlog.services.vehicle_info import parse_vehicle_info
from obdlog.tables.code_text import code_text
from obdlog.tables.uasid import scaling
from obdlog.transport.judge import without_superseded
from obdlog.vin import check_digit, check_vin


def decode(reply: str, **more: Any) -> dict[str, Any]:
    return decode_line({"reply": reply, **more})


def codes(reply: str, bus: Bus = Bus.CAN) -> list[str]:
    return [code.text for code in parse_codes(bytes.fromhex(reply), bus)]


# Codes: SAE-J1979, services 03, 07 and 0A; numbering SAE-J2012 as PUBLIC-DTC states it.


@pytest.mark.parametrize("service", ["43", "47", "4A"])
def test_a_count_byte_stands_before_codes_on_can_only(service):
    assert codes(service + "0201330171") == ["P0133", "P0171"]
    assert codes(service + "013301710000", Bus.LEGACY) == ["P0133", "P0171"]


def test_older_buses_pad_to_three_codes_a_message_with_0000():
    lines = ["48 6B 10 43 01 33 01 71 03 00 B1", "48 6B 10 43 01 13 00 00 00 00 00"]
    with_sums = [f"{text[:-3]} {sum8(bytes.fromhex(text[:-3])):02X}" for text in lines]
    result = decode_line({"lines": with_sums, "request": "03", "bus": "legacy"})
    assert [c["code"] for c in result["codes"]] == ["P0133", "P0171", "P0300", "P0113"]


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (0x8039, "B0039"),  # bytes 80 39, not B30 39
        (0x0133, "P0133"),
        (0x4123, "C0123"),
        (0xC121, "U0121"),
        (0x3FFF, "P3FFF"),
        (0xD00A, "U100A"),
        (0x0A0F, "P0A0F"),
    ],
)
def test_two_bits_of_letter_two_of_digit_and_hexadecimal_digits(raw, text):
    assert code_text(raw) == text


@pytest.mark.parametrize(
    ("code", "who"),
    [
        ("P0133", Definer.STANDARD),
        ("P1133", Definer.MAKER),
        ("P2195", Definer.STANDARD),
        ("P3000", Definer.MAKER),
        ("P33FF", Definer.MAKER),
        ("P3400", Definer.STANDARD),
        ("P3FFF", Definer.STANDARD),
        ("B3000", Definer.RESERVED),
        ("C3000", Definer.RESERVED),
        ("U3000", Definer.STANDARD),  # reserved in older editions
        ("U1000", Definer.MAKER),
        ("P0A0F", Definer.STANDARD),
    ],
)
def test_who_defines_a_code(code, who):
    assert describe(code).definer is who


def test_erasing_resets_much_but_no_permanent_code(run, run_json, tmp_path):
    """SAE-J1979, service 04. The simulated car erases; the program tells what went."""
    before = run_json("codes", "--link", "sim://airbox-repair")
    after = run_json("codes", "--link", "sim://airbox-repair?cleared=1")
    status = {c["code"]: c["status"] for c in after["modules"][0]["codes"]}
    assert status == {"P0102": ["permanent"]}
    assert before["modules"][0]["freeze_frames"]
    assert not after["modules"][0]["freeze_frames"]
    ready = run_json("readiness", "--link", "sim://airbox-repair?cleared=1")
    assert set(ready["counters"].values()) <= {0, None}
    assert any(m["supported"] and not m["complete"] for m in ready["modules"][0]["monitors"])
    text = run("clear", "--link", "sim://airbox-repair", "--yes", "--case", tmp_path / "job").output
    assert "permanent" in text.lower()


# Service 06: SAE-J1979; scales SCAPY-OBD.


def test_a_record_of_zeros_has_not_run_since_clearing():
    (test,) = parse_tests(bytes.fromhex("46010110" + "0000" * 3))
    assert test.result == "not-run"


@pytest.mark.parametrize(
    ("value", "result"), [("0064", "pass"), ("00C8", "pass"), ("0063", "fail"), ("00C9", "fail")]
)
def test_limits_are_inclusive(value, result):
    (test,) = parse_tests(bytes.fromhex(f"46010110{value}006400C8"))
    assert test.result == result


def test_the_scale_printed_as_0_0000305_is_two_65536ths():
    found = scaling(0x05)
    assert found is not None
    assert found.decode(0xFFFF) == 65535 / 32768
    assert found.decode(0x8000) == 1


def test_monitors_b0_and_b1_are_misfire_and_filters_stand_at_b2_and_b3():
    """Newer edition; docs/references.md, "Known slips"."""
    names = {number: (name_of_monitor(number) or "").lower() for number in range(0xB0, 0xB4)}
    assert "cylinder 15" in names[0xB0]
    assert "cylinder 16" in names[0xB1]
    assert "filter" in names[0xB2]
    assert "filter" in names[0xB3]


# Service 09: SAE-J1979.


def test_the_third_byte_counts_items_on_can_and_messages_elsewhere():
    vin = b"11111111111111111"
    assert parse_vehicle_info(b"\x49\x02\x01" + vin).items == (vin.decode(),)
    first = [b"\x00\x00\x00" + vin[:1], *(vin[at : at + 4] for at in range(1, 17, 4))]
    lines = []
    for number, part in enumerate(first, 1):
        message = b"\x48\x6b\x10\x49\x02" + bytes([number]) + part
        lines.append((message + bytes([sum8(message)])).hex(" ").upper())
    result = decode_line({"lines": lines, "request": "0902", "bus": "legacy"})
    assert result["info"]["vin"] == vin.decode()


def test_filler_goes_in_front_and_behind_and_a_cvn_keeps_its_zeros():
    calibration = b"\x00\x00CAL-0001".ljust(16, b"\x00")
    assert parse_vehicle_info(b"\x49\x04\x01" + calibration).items == ("CAL-0001",)
    assert parse_vehicle_info(bytes.fromhex("49060100000A51")).items == ("00000A51",)


# VIN: 49-CFR-565; Canada and China from memory.


@pytest.mark.parametrize("first", ["1", "2", "L"])
def test_the_check_digit_binds_in_the_usa_canada_and_china(first):
    vin = first + "A1BCDE3" + "0" + "KF000001"
    good = vin[:8] + check_digit(vin) + vin[9:]
    other = "1" if good[8] != "1" else "2"
    assert check_vin(good).check == "valid"
    assert check_vin(good[:8] + other + good[9:]).check == "invalid"


@pytest.mark.parametrize("first", ["S", "V", "W", "X", "Z"])
def test_a_european_number_has_no_check_digit_and_is_not_bad(first):
    found = check_vin(first + "X0ABCDEF1K000001"[:16])
    assert (found.check, found.problem) == ("not-used", "")


def test_the_remainder_is_that_of_the_whole_sum():
    """49-CFR-565.15: 1M8GDM9A_KP042788 is its own example, sum 351 = 31 × 11 + 10, so X."""
    assert check_digit("1M8GDM9A0KP042788") == "X"


@pytest.mark.parametrize(
    ("seventh", "year"), [("1", 1994), ("A", 2024)], ids=["digit: before 2010", "letter: from 2010"]
)
def test_the_model_year_repeats_after_30_years_and_position_7_tells_which(seventh, year):
    """49-CFR-565.15, for vehicles of up to 4,536 kg: R is 1994 or 2024."""
    vin = "1A1BCD" + seventh + "1" + "0" + "RF000001"
    found = check_vin(vin[:8] + check_digit(vin) + vin[9:])
    assert found.model_years == (1994, 2024)
    assert found.model_year == year


def test_elsewhere_both_model_years_stay_possible():
    found = check_vin("SX0ABCDE1RK000001")
    assert found.model_year is None
    assert found.model_years == (1994, 2024)


# Frames: ISO-15765-2, SAE-J1850, ISO-9141-2, ISO-14230-2.


def test_sequence_number_f_is_followed_by_0():
    payload = bytes([0x49, 0x04, 0x08, *range(0x20, 0x20 + 125)])
    lines = [f"7E8 10 {len(payload):02X} {payload[:6].hex(' ')}"]
    rest = [payload[at : at + 7] for at in range(6, len(payload), 7)]
    lines += [f"7E8 2{n % 16:X} {part.ljust(7, b'U').hex(' ')}" for n, part in enumerate(rest, 1)]
    assert any(line.startswith("7E8 20") for line in lines)
    found = assemble(lines, None)
    assert [m.payload for m in found.messages] == [payload]
    assert not found.faults


@pytest.mark.parametrize("padding", ["00", "55", "AA", "CC", "FF"])
def test_padding_is_ignored_whatever_its_value(padding):
    found = assemble([f"7E8 03 41 0D 32 {padding} {padding} {padding} {padding}"], None)
    assert [m.payload for m in found.messages] == [bytes.fromhex("410D32")]


def test_frames_of_several_ecus_interleave():
    lines = [
        "7E8 10 0A 49 04 01 41 41 41",
        "7E9 10 0A 49 04 01 42 42 42",
        "7E9 21 42 42 42 42 00 00 00",
        "7E8 21 41 41 41 41 00 00 00",
    ]
    found = {m.source: m.payload for m in assemble(lines, None).messages}
    assert found == {"7E8": b"\x49\x04\x01" + b"A" * 7, "7E9": b"\x49\x04\x01" + b"B" * 7}


def test_response_pending_means_keep_waiting_many_times_over():
    """ISO-14229-1: 7F xx 78. The answer that follows replaces all of them, per module."""
    pending = EcuMessage("7E8", b"\x7f\x01\x78")
    other = EcuMessage("7E9", b"\x7f\x01\x78")
    answer = EcuMessage("7E8", b"\x41\x0d\x32")
    assert without_superseded([pending, other, pending, pending, answer]) == (other, answer)
    exchange = Exchange(0.0, Request(b"\x01\x0d"), (other,), Outcome.TIMEOUT)
    assert not exchange.positive()


@pytest.mark.parametrize("length", range(1, 8))
def test_a_first_frame_that_fits_a_single_frame_is_ignored(length):
    """ISO-15765-2, from memory: lengths up to 7 travel in a single frame."""
    found = assemble([f"7E8 10 0{length} 41 0D 32 00 00 00", "7E8 21 00 00 00 00 00 00 00"], None)
    assert not found.messages
    assert any(f"length {length}" in fault for fault in found.faults)


def test_crc_of_sae_j1850():
    """Catalogue of parametrised CRC algorithms: CRC-8/SAE-J1850, check value of "123456789"."""
    assert crc8_j1850(b"123456789") == 0x4B


def test_checksum_of_the_k_line_is_the_sum_modulo_256():
    """ISO-9141-2: 68 6A F1 01 0C is followed by D0."""
    assert sum8(bytes.fromhex("686AF1010C")) == 0xD0


@pytest.mark.parametrize(
    "line",
    ["48 6B 10 41 0D 32", "83 F1 10 41 0D 32"],
    ids=["ISO 9141-2 and J1850", "ISO 14230: length in the first byte"],
)
def test_headers_of_the_older_buses_differ(line):
    """ISO-9141-2 and ISO-14230-2."""
    message = bytes.fromhex(line)
    found = assemble([f"{line} {sum8(message):02X}"], None, request=b"\x01\x0d")
    assert [(m.source, m.payload) for m in found.messages] == [("10", bytes.fromhex("410D32"))]


# Flow control is sent by the adapter, or on a direct bus by can-isotp.


def test_flow_control_goes_to_the_ecu_itself_never_to_all():
    """ISO-15765-4: 7E0 for 7E8; what can-isotp does with the addresses it is given."""
    with (
        can.Bus("known-errors-flow", interface="virtual") as ours,
        can.Bus("known-errors-flow", interface="virtual") as ecu,
    ):
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
        stack = isotp.CanStack(ours, address=address, params={"blocking_send": False})
        frame = bytes.fromhex("100A490401414141")
        ecu.send(can.Message(arbitration_id=0x7E8, data=frame, is_extended_id=False))
        deadline = time.monotonic() + 5
        sent = None
        while sent is None and time.monotonic() < deadline:
            stack.process()
            sent = ecu.recv(timeout=0)
        assert sent is not None
        assert (sent.arbitration_id, sent.data[0] >> 4) == (0x7E0, 3)


@pytest.mark.parametrize(
    ("stmin", "seconds"), [(0x00, 0.0), (0x7F, 0.127), (0xF1, 100e-6), (0xF9, 900e-6)]
)
def test_separation_times_from_f1_on_are_hundreds_of_microseconds(stmin, seconds):
    """ISO-15765-2, from memory, as can-isotp reads it."""
    message = isotp.CanMessage(arbitration_id=0x7E8, data=bytes([0x30, 0, stmin]))
    assert isotp.protocol.PDU(message).stmin_sec == pytest.approx(seconds)


@pytest.mark.parametrize("stmin", [0x80, 0xF0, 0xFA, 0xFF])
def test_reserved_separation_times_are_left_to_us_by_the_library(stmin):
    """The standard waits 127 ms (from memory); can-isotp refuses the frame.

    It only concerns requests of more than one frame, which no service here sends.
    """
    message = isotp.CanMessage(arbitration_id=0x7E8, data=bytes([0x30, 0, stmin]))
    with pytest.raises(ValueError, match="StMin"):
        isotp.protocol.PDU(message)


# ISO-14229-1, ISO-14230-3 and OBD on UDS (SAE-J1979-2).


def test_report_42_has_the_severity_before_the_code_and_report_55_has_none():
    """59 42: group, status mask, severity mask, format; records of five bytes. 59 55: of four."""
    reply = read_codes(bytes.fromhex("594233FF0C04" + "20012345" + "08"))
    assert [(c.text, c.failure_type, c.status) for c in reply.codes] == [
        ("P0123", "45", ("confirmed",))
    ]
    permanent = read_codes(bytes.fromhex("595533FF04" + "01234508"))
    assert [(c.text, c.failure_type) for c in permanent.codes] == [("P0123", "45")]
    assert "permanent" in permanent.codes[0].status


@pytest.mark.parametrize("report", ["08", "09"])
def test_reports_by_severity_put_the_severity_first(report):
    """ISO-14229-1: severity, functional unit, code, status."""
    reply = read_codes(bytes.fromhex(f"59{report}FF" + "2010" + "012345" + "08"))
    assert [(c.text, c.failure_type) for c in reply.codes] == [("P0123", "45")]


@pytest.mark.parametrize(
    ("bit", "name"),
    [
        (0x01, "failing-now"), (0x02, "failed-this-cycle"), (0x04, "pending"),
        (0x08, "confirmed"), (0x10, "not-tested"), (0x20, "failed-since-clear"),
        (0x40, "not-tested-this-cycle"), (0x80, "lamp-requested"),
    ],
)  # fmt: skip
def test_bits_of_the_status_of_a_code(bit, name):
    """ISO-14229-1."""
    assert status_names(bit) == (name,)


def test_status_50_after_an_erase_is_nothing_tested_yet():
    assert set(status_names(0x50)) == {"not-tested", "not-tested-this-cycle"}


@pytest.mark.parametrize(
    ("code", "older", "newer"),
    [
        (0x12, "format is wrong", "sub-function is not supported"),
        (0x22, "wrong order", "conditions do not allow"),
        (0x23, "routine", "undefined"),
        (0x40, "download", "undefined"),
        (0x50, "upload", "certificate"),
        (0x71, "suspended", "has to begin anew"),
        (0x80, "diagnostic mode", "undefined"),
    ],
)
def test_negative_responses_are_named_by_the_protocol(code, older, newer):
    """ISO-14230-3 and ISO-14229-1, from memory."""
    assert older in meaning(code, Bus.LEGACY)
    assert newer in meaning(code, Bus.CAN)


@pytest.mark.parametrize(
    ("reply", "bus", "told"), [("54", "can", {}), ("54FF00", "legacy", {"group": "FF00"})]
)
def test_only_iso_14230_echoes_the_group_that_was_erased(reply, bus, told):
    assert decode(reply, bus=bus)["info"] == {"cleared": True} | told


@pytest.mark.parametrize("report", ["0F", "10", "11", "12", "13"])
def test_a_report_that_was_withdrawn_may_be_refused_as_not_supported(report):
    """ISO-14229-1 of 2020 withdrew 0F to 13."""
    result = decode("7F1912", request=f"19{report}FF")
    assert result["error"] is None
    assert "not supported" in result["refusal"]["meaning"]


@pytest.mark.parametrize("reply", ["5904012345080102030405", "590601234508010203"])
def test_snapshots_and_extended_data_are_shown_as_bytes_not_guessed(reply):
    """ISO-14229-1: their lengths are the maker's."""
    result = decode(reply)
    assert result["reply"] == reply
    assert not result.get("readings")
    assert "is not read" in result["error"]
