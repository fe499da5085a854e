"""The ``decode`` contract: keys, one object a line, and no input that breaks it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.model import Bus
from obdlog.services.decode import decode_line, decode_payload

ALWAYS = {"request", "reply", "service", "source", "error"}
PARTS = {"readings", "codes", "tests", "info", "refusal"}


def decode(reply: str, request: str = "", **more: Any) -> dict[str, Any]:
    return decode_line({"reply": reply, **({"request": request} if request else {}), **more})


def values(result: dict[str, Any]) -> dict[str, Any]:
    return {r["signal"]: r["value"] for r in result["readings"]}


@pytest.mark.parametrize(
    ("reply", "service", "part"),
    [
        ("410C1AF8", "01", "readings"), ("43010102", "03", "codes"),
        ("44", "04", "info"), ("54", "14", "info"), ("45010190", "05", "tests"),
        ("46018024000100000002", "06", "tests"),
        ("4600C0000001", "06", "info"), ("4700", "07", "codes"), ("4A010420", "0A", "codes"),
        ("490055000000", "09", "info"), ("7F0122", "01", "refusal"),
        ("5902FF05621609", "19", "codes"), ("62F40C1AF8", "22", "readings"),
        ("62F80A0145434D00", "22", "info"),
    ],
)  # fmt: skip
def test_each_service_fills_its_part_and_no_other(reply: str, service: str, part: str) -> None:
    result = decode(reply)
    assert result["service"] == service
    assert result["error"] is None
    assert result.keys() - ALWAYS == {part}


def test_readings_carry_signal_label_value_unit_and_pid() -> None:
    """SAE J1979, PID 0C: (256 A + B) / 4; 1A F8 is 1726."""
    (reading,) = decode("410C1AF8", "010C")["readings"]
    assert reading == {
        "signal": "RPM", "label": "Engine speed", "value": 1726, "unit": "min-1", "pid": "0C",
    }  # fmt: skip


def test_codes_carry_status_failure_type_and_meaning() -> None:
    (code,) = decode("47010102")["codes"]
    assert (code["code"], code["status"], code["failure_type"]) == ("P0102", "pending", None)
    assert "Airflow meter" in code["meaning"]


def test_a_freeze_frame_tells_its_code_or_that_there_is_none() -> None:
    assert decode("4205017B", "020501")["info"] == {"frame": 1}
    held = decode("4202000102", "020200")
    assert held["info"] == {"frame": 0, "stored": True, "code": "P0102"}
    assert decode("4202000000")["info"] == {"frame": 0, "stored": False}


def test_context_changes_the_scale() -> None:
    """PID 4F byte D × 10 kPa replaces the 255 kPa full scale of PID 0B (SAE J1979)."""
    plain = values(decode("410BFF"))["MAP"]
    scaled = values(decode("410BFF", context=["414F0000001E"]))["MAP"]
    assert (plain, scaled) == (255, 300)


def test_a_vin_comes_with_the_state_of_its_check_digit() -> None:
    info = decode("490201" + b"11111111111111111".hex(), "0902")["info"]
    assert (info["vin"], info["vin_check"]) == ("1" * 17, "valid")


def test_legacy_layouts() -> None:
    assert [c["code"] for c in decode("43010201130000", bus="legacy")["codes"]] == [
        "P0102",
        "P0113",
    ]
    (test,) = decode("46010A00640064", bus="legacy")["tests"]
    assert (test["monitor_id"], test["test_id"], test["high"]) == (None, "01", 100)


def test_what_was_read_stands_beside_what_is_wrong() -> None:
    result = decode("430301020113")
    assert len(result["codes"]) == 2
    assert "counts 3" in result["error"]


def test_a_reply_to_another_request_is_decoded_and_named() -> None:
    other_pid = decode("410D32", "010C")
    assert values(other_pid) == {"VSS": 50}
    assert "0D" in other_pid["error"]
    assert "service 01" in decode("410D32", "03")["error"]


def test_the_id_is_echoed_whatever_it_is() -> None:
    for identity in (7, "a", None, [1], {"x": 1}, 0, ""):
        assert decode("410D32", id=identity)["id"] == identity
    assert "id" not in decode("410D32")
    assert decode_line({"id": 5})["id"] == 5


@pytest.mark.parametrize("filler", ["00000000", "AAAAAAAA", "555555", "CCCC", "FFFF"])
def test_filler_after_the_counted_codes_makes_no_codes(filler: str) -> None:
    """ISO 15765-4 fills the last frame; the count byte of SAE J1979 says where the codes end."""
    result = decode("430201020301" + filler)
    assert [c["code"] for c in result["codes"]] == ["P0102", "P0301"]
    assert result["error"] is None


@pytest.mark.parametrize(
    ("reply", "request_", "found"),
    [
        ("410C1AF8FE7D", "", {"RPM": 1726}),
        ("410C1AF8FE7D", "010CFE", {"RPM": 1726}),
        ("410D32FE7D0C1AF8", "010DFE0C", {"VSS": 50, "RPM": 1726}),
        ("41FE7D0001020304", "01FE00", {"PIDS_SUPPORTED_01_20": "08 0F 17 18 1E"}),
    ],
)
def test_a_pid_outside_the_table_does_not_take_the_others_with_it(
    reply: str, request_: str, found: dict[str, Any]
) -> None:
    result = decode(reply, request_)
    assert values(result) == found
    assert "PID FE" in result["error"]


def test_a_broken_record_leaves_the_whole_ones_before_it() -> None:
    """SAE J1979, service 06 on CAN: nine bytes a record."""
    result = decode("46A10C24000500000005A10B")
    assert [t["result"] for t in result["tests"]] == ["pass"]
    assert "whole records" in result["error"]


def test_supported_tests_of_service_05() -> None:
    assert decode("450001C0000000", bus="legacy")["info"] == {"supported": ["01", "02"]}


def test_context_of_other_services_and_a_single_text() -> None:
    assert values(decode("410BFF", context="414F0000001E"))["MAP"] == 300
    assert values(decode("410BFF", context=["43010102", "414F0000001E"]))["MAP"] == 300


@pytest.mark.parametrize(
    ("reply", "request_"), [("46A10B24000000000000", "06A2"), ("490055400000", "0904")]
)
def test_an_answer_about_something_else_is_named(reply: str, request_: str) -> None:
    assert request_[2:] in decode(reply, request_)["error"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (None, "JSON object"), ([], "JSON object"), ("410D32", "JSON object"), ({}, "neither"),
        ({"reply": ""}, "empty"), ({"reply": "4"}, "odd"), ({"reply": "zz"}, "hexadecimal"),
        ({"reply": 41}, "text"), ({"reply": ["41"]}, "text"), ({"reply": "41" * 5000}, "longer"),
        ({"reply": "410D32", "bus": "x"}, "bus"), ({"reply": "410D32", "bus": 1}, "bus"),
        ({"reply": "410D32", "bus": []}, "bus"), ({"reply": "410D32", "request": 1}, "request"),
        ({"reply": "410D32", "request": "0"}, "odd"),
        ({"reply": "410D32", "context": 1}, "context"),
        ({"reply": "410D32", "context": ["41"]}, "context"),
        ({"reply": "410D32", "context": ["410D32"] * 65}, "context"),
        ({"reply": "410D32", "request": []}, "request"),
        ({"reply": "410D32", "lines": ["7E803410D32"]}, "both"),
        ({"lines": 5}, "lines"), ({"lines": [5]}, "lines"), ({"lines": []}, "no message"),
        ({"lines": ["NO DATA"]}, "No module answered"),
        ({"lines": ["48 6B 10 41 0D 32 00"]}, "checksum"), ({"lines": ["x" * 601]}, "lines"),
        ({"lines": [""] * 2001}, "lines"), ({"reply": "010C"}, "request"),
        ({"reply": "41FE00"}, "FE"), ({"reply": "7F"}, "cut short"), ({"reply": "7F01"}, "3 bytes"),
        ({"reply": "C1"}, "not decoded"), ({"reply": "410C1A"}, "lengths"),
    ],
)  # fmt: skip
def test_bad_input_is_one_sentence(line: object, words: str) -> None:
    result = decode_line(line)
    assert result.keys() >= ALWAYS
    assert result["error"]
    assert words in result["error"]


def test_spaces_case_and_an_unanswered_request_do_not_matter() -> None:
    assert values(decode("41 0d\t32\n", "01 0d")) == {"VSS": 50}


def test_lines_of_several_modules() -> None:
    result = decode_line({"request": "0100", "lines": ["7E8064100BE3FA813", "7E906410088180001"]})
    assert result["source"] == "7E8"
    assert [m["source"] for m in result["messages"]] == ["7E8", "7E9"]
    assert result["readings"] == result["messages"][0]["readings"]


def test_lines_as_pasted_with_prompt_and_request() -> None:
    result = decode_line({"lines": ">010D\r\n7E8 03 41 0D 32\r\n\r\n>"})
    assert (result["request"], result["source"]) == ("010D", "7E8")
    assert values(result) == {"VSS": 50}


def test_lines_of_a_long_reply() -> None:
    """ISO 15765-2: first frame with the length, consecutive frames numbered from 1."""
    lines = ["7E8 10 14 49 02 01 31 31 31", "7E8 21 31 31 31 31 31 31 31",
             "7E8 22 31 31 31 31 31 31 31"]  # fmt: skip
    assert decode_line({"lines": lines})["info"]["vin"] == "1" * 17
    assert decode_line({"lines": lines[:2]})["error"]


def test_response_pending_gives_way_to_the_answer() -> None:
    result = decode_line({"lines": ["7E8 03 7F 01 78", "7E8 03 41 0D 32"], "request": "010D"})
    assert values(result) == {"VSS": 50}
    assert "messages" not in result


def test_lines_of_an_older_bus_are_read_with_its_layout() -> None:
    # ISO 9141-2: 48 6B 10, data, sum of all bytes modulo 256.
    body = bytes.fromhex("486B1043010201130000")
    line = (body + bytes([sum(body) & 0xFF])).hex(" ").upper()
    result = decode_line({"lines": [line], "request": "03"})
    assert [c["code"] for c in result["codes"]] == ["P0102", "P0113"]
    assert result["source"] == "10"


@pytest.mark.parametrize(
    "lines",
    [
        ["010D", "7E8 03 41 0D 32"],
        ["01 0D 1", "7E803410D32", ">"],
        "ATZ\r\rXYZ327 v1.5\r\r>ATE0\rOK\r>010D\rSEARCHING...\r7E8 03 41 0D 32\r\r>",
        [">010D", "SEARCHING...7E8 03 41 0D 32"],
        [">010D", "\x007E8\t03\t41\t0D\t32"],
        ["7DF 02 01 0D", "7E8 03 41 0D 32"],
        ["010D", "41 0D 32"],
    ],
)
def test_a_terminal_session_is_read_as_it_was_pasted(lines: object) -> None:
    result = decode_line({"lines": lines})
    assert (result["request"], values(result), result["error"]) == ("010D", {"VSS": 50}, None)


def test_lines_without_headers_need_no_request() -> None:
    assert values(decode_line({"lines": ["41 0D 32"]})) == {"VSS": 50}
    assert decode_line({"lines": ["7F 01 12"]})["refusal"]["code"] == "12"


def test_messages_of_an_older_bus_without_headers_make_one_answer() -> None:
    """SAE J1979: on the older buses codes come in threes, a message each."""
    lines = ["03", "43 01 02 01 13 04 42", "43 04 20 00 00 00 00"]
    result = decode_line({"lines": lines, "bus": "legacy"})
    assert [c["code"] for c in result["codes"]] == ["P0102", "P0113", "P0442", "P0420"]


def test_what_the_adapter_reported_stands_beside_what_was_read() -> None:
    result = decode_line({"lines": ["7E8 03 41 0D 32", "BUFFER FULL"]})
    assert values(result) == {"VSS": 50}
    assert "lost" in result["error"]


def test_an_answer_comes_before_another_module_s_refusal() -> None:
    result = decode_line({"lines": ["7E9 03 7F 01 12", "7E8 03 41 0D 32"]})
    assert values(result) == {"VSS": 50}
    assert [m["source"] for m in result["messages"]] == ["7E8", "7E9"]


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)
hex_text = st.binary(max_size=40).map(bytes.hex)
field = json_values | hex_text | st.lists(hex_text | st.text(max_size=30), max_size=4)


@settings(max_examples=300)
@given(
    st.fixed_dictionaries(
        {},
        optional={
            **dict.fromkeys(("id", "reply", "request", "lines", "context"), field),
            "bus": st.sampled_from(["can", "legacy"]) | json_values,
        },
    )
    | json_values
)
def test_no_json_line_breaks_the_decoder(line: object) -> None:
    result = decode_line(line)
    assert result.keys() >= ALWAYS
    json.dumps(result, allow_nan=False)


@settings(max_examples=300)
@given(
    st.sampled_from([0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47, 0x49, 0x4A, 0x59, 0x62, 0x7F]),
    st.binary(max_size=80),
    st.none() | st.binary(max_size=7),
    st.sampled_from(Bus),
)
def test_no_reply_breaks_the_decoder(
    first: int, body: bytes, request: bytes | None, bus: Bus
) -> None:
    result = decode_payload(bytes([first]) + body, request, bus)
    assert result["error"] or result.keys() & PARTS
    json.dumps(result, allow_nan=False)


def test_a_payload_beyond_any_message_is_refused() -> None:
    assert "longer" in decode_payload(b"\x41" * 5000)["error"]


class TestReportsOfService19:
    """Layouts of ISO 14229-1, from memory; 59 56 also as public sources state SAE J1979-2."""

    def test_codes_of_a_readiness_group(self) -> None:
        result = decode_line({"reply": "595633FF040104200050" + "04300008"})
        assert [(c["code"], c["failure_type"], c["status"]) for c in result["codes"]] == [
            ("P0420", "00", "not-tested"),
            ("P0430", "00", "confirmed"),
        ]
        assert (result["info"], result["error"]) == ({"readiness_group": "01"}, None)

    def test_codes_that_support_an_extended_record(self) -> None:
        result = decode_line({"reply": "591AFF90" + "04200008"})
        assert [c["code"] for c in result["codes"]] == ["P0420"]
        assert result["info"] == {"record": "90"}

    def test_a_snapshot_of_current_data_is_read(self) -> None:
        result = decode_line({"reply": "590404200008" + "0102" + "F40C1AF8" + "F4057B"})
        assert [(r["signal"], r["value"], r["frame"]) for r in result["readings"]] == [
            ("RPM", 1726.0, 1),
            ("ECT", 83, 1),
        ]
        assert result["info"]["hex"] == "0102F40C1AF8F4057B"
        (record,) = result["info"]["records"]
        assert (record["record"], record["identifiers"]) == (
            "01",
            {"F40C": "1AF8", "F405": "7B"},
        )
        assert result["error"] is None

    @pytest.mark.parametrize(
        ("reply", "data", "read"),
        [
            ("590404200008" + "0101" + "20011234", "010120011234", []),
            ("590404200008" + "0103" + "F40C1AF8", "0103F40C1AF8", ["RPM"]),
            ("590404200008" + "0102" + "F40C1AF8" + "200112", "0102F40C1AF8200112", ["RPM"]),
            ("590604200008" + "900102", "900102", []),
        ],
    )
    def test_what_only_the_maker_defines_stays_bytes(
        self, reply: str, data: str, read: list[str]
    ) -> None:
        result = decode_line({"reply": reply})
        assert [c["code"] for c in result["codes"]] == ["P0420"]
        assert result["info"]["hex"] == data
        assert "only the maker defines it" in result["error"]
        assert [r["signal"] for r in result.get("readings", [])] == read

    def test_a_code_without_records(self) -> None:
        result = decode_line({"reply": "590404200008"})
        assert "info" not in result
        assert result["error"] is None
