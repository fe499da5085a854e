"""What ``decode`` says of replies of single modules, with the request and without."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.model import Bus
from obdlog.services.decode import decode_line, decode_payload

VIN = b"INVENTED0000CAR01".hex().upper()


def decode(reply: str, **more: Any) -> dict[str, Any]:
    return decode_line({"reply": reply, **more})


@pytest.mark.parametrize(
    ("reply", "info"),
    [
        ("50010032 01F4", {"answer_within_ms": 50, "answer_when_pending_within_ms": 5000}),
        ("5003", {"session": "03", "name": "extended", "answer_within_ms": None}),
        ("5081", {"session": "81", "name": "default"}),
        ("5060", {"name": "the maker's own"}),
        ("7E00", {"present": True}),
        ("7E", {"present": True}),
        ("54", {"cleared": True}),
        ("5901FF010002", {"count": 2, "available": "FF", "numbering": "ISO 14229-1"}),
        ("62F187" + "494E56", {"identifier": "F187", "text": "INV", "name": "maker's part number"}),
        ("62F1870000", {"identifier": "F187", "text": None, "hex": "0000"}),
        ("62F1AA01", {"identifier": "F1AA", "hex": "01"}),
        ("5A91494E56", {"identifier": "91", "text": "INV", "name": "maker's hardware number"}),
        ("5A90" + VIN, {"vin": "INVENTED0000CAR01", "text": "INVENTED0000CAR01"}),
        ("5AE0", {"identifier": "E0", "hex": ""}),
    ],
)
def test_info(reply: str, info: dict[str, Any]) -> None:
    result = decode(reply)
    assert result["error"] is None
    assert {key: result["info"].get(key) for key in info} == info


@pytest.mark.parametrize(
    ("reply", "more"),
    [
        ("58010123E1", {}),
        ("58010123E1", {"bus": "legacy"}),
        ("58010123E1", {"request": "1800FF00"}),
        ("58010123E1", {"request": "1800FF00", "bus": "legacy"}),
    ],
)
def test_codes_of_the_older_language_on_either_bus(reply: str, more: dict[str, str]) -> None:
    result = decode(reply, **more)
    (code,) = result["codes"]
    assert code["statuses"] == ["confirmed", "failing-now", "lamp-requested"]
    assert (code["status"], code["status_byte"]) == ("confirmed", "E1")
    assert code["symptom"] == "above its highest allowed value"
    assert (result["service"], result["error"]) == ("18", None)


@pytest.mark.parametrize(
    ("reply", "more", "word"),
    [
        ("7F1880", {}, "diagnostic mode"),
        ("7F1A80", {}, "diagnostic mode"),
        ("7F1480", {"request": "14FF00"}, "diagnostic mode"),
        ("7F1480", {"request": "14FFFFFF"}, "undefined"),
        ("7F1980", {"bus": "legacy"}, "undefined"),
        ("7F3E80", {"bus": "legacy"}, "diagnostic mode"),
        ("7F197F", {}, "present diagnostic session"),
    ],
)
def test_a_refusal_is_named_in_the_language_of_its_service(
    reply: str, more: dict[str, str], word: str
) -> None:
    assert word in decode(reply, **more)["refusal"]["meaning"]


@pytest.mark.parametrize(
    ("reply", "request_", "error"),
    [
        ("62F187414243F18C4445F18C46", "22F187F18C", "only the maker defines"),
        ("5801", "1800FF00", "counts 1"),
        ("5906056216090100", "190605621602", "record 01"),
        ("7E00", "1001", "the reply is one of service 3E"),
        ("54FF00", "144000", "does not name the group"),
    ],
)
def test_what_is_wrong_is_said_beside_what_was_read(reply: str, request_: str, error: str) -> None:
    assert error in decode(reply, request=request_)["error"]


def test_a_terminal_sequence_in_a_part_number_stays_hexadecimal() -> None:
    info = decode("62F187411B5B33316D")["info"]
    assert (info["text"], info["hex"]) == (None, "411B5B33316D")


def test_lines_of_a_module_of_the_makers_choice() -> None:
    result = decode_line({"lines": ["7B8 10 0B 59 02 FF 40 31 00", "7B8 21 AF C1 00 87 08 00 00"]})
    assert [c["code"] for c in result["codes"]] == ["C0031", "U0100"]
    assert result["source"] == "7B8"


FIRST = [0x50, 0x53, 0x54, 0x57, 0x58, 0x59, 0x5A, 0x62, 0x7E, 0x7F]


@given(
    st.sampled_from(FIRST),
    st.binary(max_size=40),
    st.binary(max_size=8),
    st.sampled_from(["can", "legacy"]),
)
def test_no_reply_breaks_the_decoder(first: int, body: bytes, request: bytes, bus: str) -> None:
    reply = bytes([first]) + body
    result = decode_line({"reply": reply.hex(), "request": request.hex() or None, "bus": bus})
    assert result["reply"] == reply.hex().upper()
    assert {"request", "service", "source", "error"} <= result.keys()


@pytest.mark.parametrize(
    ("request_", "reply", "says"),
    [
        ("1003", "5001003201F4", "holds session 01, the request asks 03"),
        ("1A90", "5A91313233", "holds identifier 91, the request asks 90"),
        ("1902AF", "590AFF0102162F", "holds report 0A, the request asks 02"),
        ("191A91", "591AFF90056216AF", "holds record 90, the request asks 91"),
        ("194233081E", "594234FFFE0402056216AF", "holds group 34, the request asks 33"),
        ("1956330B", "595633FF040C056216AF", "holds readiness group 0C, the request asks 0B"),
        ("22F190", "62F187313233", "holds identifier F187, the request asks F190"),
        ("22F40CF40D", "62F4055A", "holds identifier F405, the request asks F40C, F40D"),
    ],
)
def test_a_reply_to_another_question_is_decoded_and_said(request_, reply, says) -> None:
    """Positive replies repeat session, report, group, record and identifier (ISO 14229-1)."""
    found = decode_payload(bytes.fromhex(reply), bytes.fromhex(request_))
    assert says in found["error"]
    assert found.keys() & {"info", "codes", "readings"}


@pytest.mark.parametrize(
    ("request_", "reply", "bus"),
    [
        ("1083", "5003003201F4", Bus.CAN),  # asked for silence and answered all the same
        ("1089", "5089", Bus.LEGACY),  # ISO 14230-3 numbers its sessions from 80
        ("1089", "50", Bus.LEGACY),
        ("3E80", "7E00", Bus.CAN),
        ("22F405F40C", "62F40C1AF8", Bus.CAN),  # what a module does not have it leaves out
        ("1902AF", "7F197F", Bus.CAN),
    ],
)
def test_a_reply_to_this_question_is_no_fault(request_, reply, bus) -> None:
    asked = bytes.fromhex(request_)
    found = decode_payload(bytes.fromhex(reply), asked, bus)
    assert found["error"] is None or "the request asks" not in found["error"]


VIN = b"1M8GDM9AXKP042788"  # example of the check digit (49 CFR 565)


def test_an_identifier_of_unknown_length_beside_a_reading_leaves_the_reading() -> None:
    """ISO 14229-1, service 22: records in the order of the request; F40C: SAE J1979 PID 0C."""
    found = decode_payload(bytes.fromhex("62F40C1AF8F4EE0102"), bytes.fromhex("22F40CF4EE"))
    assert [(r["pid"], r["value"]) for r in found["readings"]] == [("0C", 1726.0)]
    assert found["info"] == {"identifier": "F4EE", "hex": "0102"}
    assert "PID EE is not in this edition's signal table" in found["error"]


def test_the_vin_ends_where_the_next_identifier_begins() -> None:
    reply = b"\x62\xf1\x90" + VIN + b"\xf1\x87" + b"PN-001"
    found = decode_payload(reply, bytes.fromhex("22F190F187"))
    vin, part = found["info"]["identifiers"]
    assert (vin["identifier"], vin["vin"]) == ("F190", VIN.decode())
    assert (part["identifier"], part["text"]) == ("F187", "PN-001")
    assert found["error"] is None


def test_two_identifiers_of_unknown_length_are_parted_where_only_one_place_fits() -> None:
    reply = b"\x62\xf1\x87AB\xf1\x8cCD"
    first, second = decode_payload(reply, bytes.fromhex("22F187F18C"))["info"]["identifiers"]
    assert (first["text"], second["text"]) == ("AB", "CD")


@pytest.mark.parametrize(
    ("request_", "reply", "rest"),
    [
        ("22F187F18C", "62F18741F18C42F18C43", "F18741F18C42F18C43"),  # two places fit
        ("22F40CF187F18C", "62F40C1AF8F18741F18C42F18C43", "F18741F18C42F18C43"),
        ("22F40CF18C", "62F40C1AF8AA", "AA"),  # nothing that was asked for
        ("22F190F187", "62F1904142", "F1904142"),  # cut short
    ],
)
def test_what_is_not_certain_stays_bytes(request_, reply, rest) -> None:
    found = decode_payload(bytes.fromhex(reply), bytes.fromhex(request_))
    assert found["info"] == {"hex": rest}
    assert "only the maker defines" in found["error"]
    assert ("readings" in found) is ("F40C" in request_)


def test_a_hostile_reply_costs_no_time() -> None:
    names = b"".join(bytes([0xF1, n]) for n in range(0x87, 0xA7))
    reply = b"\x62" + names * 8
    assert decode_payload(reply, b"\x22" + names)["reply"] == reply.hex().upper()
