"""Messages of single modules against published worked examples, udsoncan and Scapy.

Worked examples: keys of ``docs/references.md`` beside each case. udsoncan and Scapy read the
replies that Hypothesis makes, and must find in them what we find.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.automotive.kwp import KWP
from scapy.contrib.automotive.uds import UDS
from udsoncan import AsciiCodec, DidCodec, Dtc, Response
from udsoncan.services import (
    DiagnosticSessionControl,
    ReadDataByIdentifier,
    ReadDTCInformation,
    TesterPresent,
)

from obdlog.model import Bus
from obdlog.services.code_reply import Code, status_names
from obdlog.services.codes import read_codes
from obdlog.services.decode import decode_line
from obdlog.services.identification import parse_identification
from obdlog.services.older_codes import older_status, read_older, symptom
from obdlog.services.refusals import meaning
from obdlog.services.sessions import parse_session
from obdlog.services.trouble_reports import code3

Report = ReadDTCInformation.Subfunction
OLDER_REFUSALS = {
    code: words
    for code, words in KWP(b"\x7f\x14\x80").payload.negativeResponseCodes.items()
    if code
}


def decode(reply: str, **more: Any) -> dict[str, Any]:
    return decode_line({"reply": reply, **more})


def named(code: Code) -> str:
    return f"{code.text}-{code.failure_type}" if code.failure_type else code.text


class TestWorkedExamples:
    def test_a_list_of_six_codes_in_four_frames(self) -> None:
        """UDS-19-LISTS: frames of 19 02 09, 27 bytes in all, printed one by one."""
        result = decode_line(
            {
                "lines": [
                    "7E8 10 1B 59 02 09 91 B6 12",
                    "7E8 21 08 A4 13 15 08 D3 18",
                    "7E8 22 31 08 A6 43 14 08 A7",
                    "7E8 23 32 21 08 A8 90 13 08",
                ],
                "request": "190209",
            }
        )
        found = [(c["code"], c["failure_type"], c["statuses"]) for c in result["codes"]]
        assert found == [
            ("B11B6", "12", ["confirmed"]),
            ("B2413", "15", ["confirmed"]),
            ("U1318", "31", ["confirmed"]),
            ("B2643", "14", ["confirmed"]),
            ("B2732", "21", ["confirmed"]),
            ("B2890", "13", ["confirmed"]),
        ]
        assert result["error"] is None

    @pytest.mark.parametrize(
        ("request_", "reply", "count", "numbering"),
        [
            ("190101", "5901FF000002", 2, "SAE J2012-DA"),  # UDS-19-COUNTS
            ("190109", "5901FF010004", 4, "ISO 14229-1"),
            ("190109", "5901FF010003", 3, "ISO 14229-1"),  # UDS-19-NOTES
            ("190109", "5901FF010005", 5, "ISO 14229-1"),
        ],
    )
    def test_counts(self, request_: str, reply: str, count: int, numbering: str) -> None:
        info = decode(reply, request=request_)["info"]
        assert (info["count"], info["available"]) == (count, "FF")
        assert info["numbering"].startswith(numbering)

    def test_a_status_byte_and_a_report_that_is_not_there(self) -> None:
        """UDS-19-NOTES: 09 is confirmed and failing now; 19 15 refused with 12."""
        assert status_names(0x09) == ("confirmed", "failing-now")
        assert decode("7F1912", request="1915")["refusal"]["meaning"] == (
            "this sub-function is not supported"
        )

    def test_an_erase_of_the_older_language_on_the_wire(self) -> None:
        """KWP-14-FORUM: 14 FF 00, first 7F 14 78, then 54 FF 00."""
        pending = decode("7F1478", request="14FF00", bus="legacy")
        assert "the answer follows" in pending["refusal"]["meaning"]
        done = decode("54FF00", request="14FF00", bus="legacy")
        assert (done["info"], done["error"]) == ({"cleared": True, "group": "FF00"}, None)

    @pytest.mark.parametrize(
        ("status", "words"),
        [  # KWP-STATUS: the parts; public code: what each of their values means
            (0x00, ()),
            (0x10, ("not-tested",)),
            (0x20, ("confirmed",)),
            (0x40, ("pending", "failing-now")),
            (0x60, ("confirmed", "failing-now")),
            (0xE0, ("confirmed", "failing-now", "lamp-requested")),
            (0xA0, ("confirmed", "lamp-requested")),
            (0x80, ()),
            (0x90, ("not-tested",)),
        ],
    )
    def test_the_older_status_byte(self, status: int, words: tuple[str, ...]) -> None:
        assert older_status(status) == words

    @pytest.mark.parametrize(
        ("status", "words"),
        [
            (0x60, ""),
            (0x61, "above its highest allowed value"),
            (0x62, "below its lowest allowed value"),
            (0x64, "no signal"),
            (0x68, "implausible signal"),
        ],
    )
    def test_the_symptom_of_the_older_status_byte(self, status: int, words: str) -> None:
        assert symptom(status) == words

    def test_service_17_tells_number_code_status_and_data_of_the_makers_own(self) -> None:
        """KWP-17: number, two bytes of code, status; what follows differs by maker."""
        found = read_older(bytes.fromhex("57019234600A0B0C"))
        assert [code.text for code in found.codes] == ["B1234"]
        assert (found.count, found.data, found.problem) == (1, b"\x0a\x0b\x0c", "")


codes3 = st.tuples(st.integers(1, 0xFFFF), st.integers(0, 0xFF))
records = st.lists(st.tuples(codes3, st.integers(0, 0xFF)), max_size=12)


def record_bytes(record: tuple[tuple[int, int], int]) -> bytes:
    (code, failure), status = record
    return code.to_bytes(2, "big") + bytes([failure, status])


def as_theirs(code: Code) -> tuple[int, int | None]:
    return int.from_bytes(code3(code.text, code.failure_type), "big"), code.status_byte


class TestUdsoncan:
    """udsoncan encodes and decodes the same messages (ISO-14229-1)."""

    @given(st.sampled_from([0x02, 0x0A, 0x0B, 0x0D, 0x15]), st.integers(0, 255), records)
    def test_lists(self, report: int, mask: int, listed: list) -> None:
        reply = bytes([0x59, report, mask]) + b"".join(map(record_bytes, listed))
        said = ReadDTCInformation.interpret_response(
            Response.from_payload(reply), report, tolerate_zero_padding=False
        ).service_data
        ours = read_codes(reply)
        assert [as_theirs(code) for code in ours.codes] == [
            (dtc.id, dtc.status.get_byte_as_int()) for dtc in said.dtcs
        ]
        assert ours.available == said.status_availability.get_byte_as_int()

    @given(st.sampled_from([0x01, 0x07, 0x11, 0x12]), st.binary(min_size=4, max_size=4))
    def test_counts(self, report: int, body: bytes) -> None:
        body = body[:1] + bytes([body[1] % 5]) + body[2:]
        reply = bytes([0x59, report]) + body
        said = ReadDTCInformation.interpret_response(
            Response.from_payload(reply), report, standard_version=2013
        ).service_data
        ours = read_codes(reply)
        assert (ours.count, ours.numbering) == (said.dtc_count, said.dtc_format)
        assert ours.available == said.status_availability.get_byte_as_int()

    @given(st.integers(0, 255), st.lists(st.tuples(st.integers(0, 255), records), max_size=4))
    def test_functional_lists(self, mask: int, listed: list) -> None:
        flat = [(severity & 0xE0, r) for severity, held in listed for r in held]
        reply = bytes([0x59, 0x42, 0x33, mask, 0xFF, 0x04])
        reply += b"".join(bytes([severity]) + record_bytes(r) for severity, r in flat)
        said = ReadDTCInformation.interpret_response(
            Response.from_payload(reply), 0x42
        ).service_data
        ours = read_codes(reply)
        assert [as_theirs(code) for code in ours.codes] == [
            (dtc.id, dtc.status.get_byte_as_int()) for dtc in said.dtcs
        ]
        assert [code.severity for code in ours.codes] == [
            dtc.severity.get_byte_as_int() for dtc in said.dtcs
        ]

    def test_snapshots_of_known_lengths(self) -> None:
        reply = bytes.fromhex("590405621609" + "0102" + "F40C1AF8" + "F4057B")
        said = ReadDTCInformation.interpret_response(
            Response.from_payload(reply),
            Report.reportDTCSnapshotRecordByDTCNumber,
            didconfig={0xF40C: ">H", 0xF405: "B"},
            dtc_snapshot_did_size=2,
        ).service_data
        (dtc,) = said.dtcs
        (record,) = read_codes(reply).records
        theirs = [(s.record_number, s.did, s.raw_data) for s in dtc.snapshots]
        assert theirs == [(record.number, did, data) for did, data in record.items]

    def test_extended_data_of_a_stated_size(self) -> None:
        reply = bytes.fromhex("590605621609" + "01" + "0A2B3C")
        said = ReadDTCInformation.interpret_response(
            Response.from_payload(reply),
            Report.reportDTCExtendedDataRecordByDTCNumber,
            extended_data_size=3,
        ).service_data
        (dtc,) = said.dtcs
        (record,) = read_codes(reply).records
        (extended,) = dtc.extended_data
        assert (extended.record_number, extended.raw_data) == (record.number, record.data)

    @given(st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=30))
    def test_identification(self, text: str) -> None:
        class Exactly(AsciiCodec):
            def __init__(self) -> None:
                DidCodec.__init__(self)
                self.string_len = len(text)

        reply = b"\x62\xf1\x8c" + text.encode()
        said = ReadDataByIdentifier.interpret_response(
            Response.from_payload(reply), [0xF18C], {0xF18C: Exactly()}
        ).service_data
        assert parse_identification(reply).text == said.values[0xF18C]

    @given(st.sampled_from([1, 3]), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
    def test_sessions(self, session: int, p2: int, p2_star: int) -> None:
        reply = bytes([0x50, session]) + p2.to_bytes(2, "big") + p2_star.to_bytes(2, "big")
        said = DiagnosticSessionControl.interpret_response(
            Response.from_payload(reply), standard_version=2020
        ).service_data
        ours = parse_session(reply)
        assert ours.number == said.session_echo
        assert ours.answer_within_ms == pytest.approx(said.p2_server_max * 1000)
        assert ours.pending_within_ms == pytest.approx(said.p2_star_server_max * 1000)

    def test_presence(self) -> None:
        said = TesterPresent.interpret_response(Response.from_payload(b"\x7e\x00"))
        assert said.service_data.subfunction_echo == 0
        assert decode("7E00", request="3E00")["info"] == {"present": True}

    def test_a_code_keeps_its_three_bytes(self) -> None:
        (code,) = read_codes(bytes.fromhex("5902FF05621609")).codes
        assert as_theirs(code)[0] == Dtc(0x056216).id


LETTERS = {"Powertrain": "P", "Chassis": "C", "Body": "B", "Network": "U"}
BITS = {
    "TestFailed": 0x01,
    "TestFailedThisOperationCycle": 0x02,
    "PendingDTC": 0x04,
    "ConfirmedDTC": 0x08,
    "TestNotCompletedSinceLastClear": 0x10,
    "TestFailedSinceLastClear": 0x20,
    "TestNotCompletedThisOperationCycle": 0x40,
    "WarningIndicatorRequested": 0x80,
}


class TestScapy:
    """Scapy's layers of both languages read the same bytes."""

    @given(st.sampled_from([0x02, 0x0A]), st.integers(0, 255), records)
    def test_lists(self, report: int, mask: int, listed: list) -> None:
        reply = bytes([0x59, report, mask]) + b"".join(map(record_bytes, listed))
        said = UDS(reply).payload
        theirs = []
        for record in said.DTCAndStatusRecord or []:
            system = record.dtc.get_field("system").i2repr(record.dtc, record.dtc.system)
            number = record.dtc.type << 12 | record.dtc.numeric_value_code
            theirs.append(
                (
                    f"{LETTERS[system]}{number:04X}-{record.dtc.additional_information_code:02X}",
                    int(record.status),
                )
            )
        assert [(named(code), code.status_byte) for code in read_codes(reply).codes] == theirs

    def test_names_of_the_status_bits_stand_in_the_same_places(self) -> None:
        flags = UDS(b"\x59\x02\xff").payload.get_field("DTCStatusAvailabilityMask").names
        assert {name: 1 << place for place, name in enumerate(flags)} == BITS

    def test_an_erase_of_either_language(self) -> None:
        assert UDS(b"\x54").service == 0x54
        assert KWP(b"\x54\xff\x00").payload.groupOfDTC == 0xFF00
        assert decode("54", request="14FFFFFF")["info"] == {"cleared": True}
        assert "does not have" in decode("54FF00", request="14FFFFFF")["error"]
        assert "does not name" in decode("54", request="14FF00")["error"]

    @given(st.integers(0, 255), st.binary(min_size=1, max_size=20))
    def test_identification_of_the_older_language(self, option: int, data: bytes) -> None:
        reply = bytes([0x5A, option]) + data
        said = KWP(reply).payload
        item = parse_identification(reply)
        assert (item.identifier, item.data) == (f"{said.localIdentifier:02X}", said.load)

    @given(st.integers(0, 255), st.binary(max_size=12))
    def test_the_number_of_codes_of_service_17(self, count: int, body: bytes) -> None:
        said = KWP(bytes([0x57, count]) + body).payload
        assert read_older(bytes([0x57, count]) + body).count == said.numberOfDTC

    @pytest.mark.parametrize("session", [0x81, 0x92])
    def test_sessions_of_the_older_language(self, session: int) -> None:
        said = KWP(bytes([0x50, session])).payload
        assert parse_session(bytes([0x50, session])).number == said.diagnosticSession

    @pytest.mark.parametrize(("code", "words"), sorted(OLDER_REFUSALS.items()))
    def test_refusals_of_the_older_language_are_named(self, code: int, words: str) -> None:
        assert meaning(code, Bus.LEGACY) != "a code that the standard leaves undefined", words
