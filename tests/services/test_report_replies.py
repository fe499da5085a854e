"""Replies of service 19 and of the older services 18, 17 and 13; layouts of ISO 14229-1/14230-3."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.services.code_reply import StoredRecord
from obdlog.services.codes import read_codes
from obdlog.services.report_replies import read_report
from obdlog.services.snapshots import snapshot_readings, split_snapshots

CODE = "05621609"


def read(reply: str, request: str = ""):
    return read_codes(bytes.fromhex(reply), request=bytes.fromhex(request))


def records(data: str) -> list[tuple[int, list[tuple[str, str]], str, bool]]:
    return [
        (
            r.number,
            [(f"{n:04X}", d.hex().upper()) for n, d in r.items],
            r.rest.hex().upper(),
            r.whole,
        )
        for r in split_snapshots(bytes.fromhex(data))
    ]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("", []),
        ("01", [(1, [], "", False)]),
        ("0102F40C1AF8F4057B", [(1, [("F40C", "1AF8"), ("F405", "7B")], "", True)]),
        (
            "0101F4057B" + "0201F40D32",
            [(1, [("F405", "7B")], "", True), (2, [("F40D", "32")], "", True)],
        ),
        # F406 has one byte or two: what follows settles which.
        ("0102F4068080F40D32", [(1, [("F406", "8080"), ("F40D", "32")], "", True)]),
        ("0102F40680F40D32", [(1, [("F406", "80"), ("F40D", "32")], "", True)]),
        # An identifier of the maker's own hides what follows it.
        ("0102F4057B20011234", [(1, [("F405", "7B")], "20011234", False)]),
        ("010220011234F4057B", [(1, [], "20011234F4057B", False)]),
        ("0102F4068020011234", [(1, [], "F4068020011234", False)]),
        # Fewer identifiers than the record counts.
        ("0103F4057B", [(1, [("F405", "7B")], "", False)]),
        ("0100F4057B", [(1, [], "F4057B", False)]),
        ("0101F40C1A", [(1, [], "F40C1A", False)]),
        ("0101F190" + "49" * 17, [(1, [("F190", "49" * 17)], "", True)]),
    ],
)
def test_snapshots(data: str, expected: list) -> None:
    assert records(data) == expected


def test_no_byte_of_a_snapshot_gets_lost() -> None:
    (record,) = split_snapshots(bytes.fromhex("0102F4057B20011234"))
    assert record.data == bytes.fromhex("F4057B20011234")


def test_scales_inside_a_snapshot_apply_to_all_of_it() -> None:
    """F44F byte D × 10 kPa replaces the full scale of F40B (SAE J1979)."""
    record = StoredRecord(1, ((0xF40B, b"\xff"), (0xF44F, b"\x00\x00\x00\x33")))
    readings = {r.signal: r.value for r in snapshot_readings(record)}
    assert readings["MAP"] == pytest.approx(510)


@given(st.binary(max_size=80))
def test_random_snapshots_keep_their_bytes(data: bytes) -> None:
    found = split_snapshots(data)
    if all(r.whole for r in found):
        heads = b"".join(bytes([r.number, len(r.items)]) + r.data for r in found)
        assert heads == data
    else:
        (record,) = found
        assert data[2:] == record.data


@pytest.mark.parametrize("piece", ["01FF", "F4067F", "0101F40680", "01F4F401F401"])
def test_a_hostile_snapshot_costs_no_time(piece: str) -> None:
    data = (bytes.fromhex(piece) * 2000)[:4000]
    started = time.process_time()
    for size in (128, 512, 4000):
        split_snapshots(data[:size])
    assert time.process_time() - started < 2


class TestRecords:
    def test_the_record_asked_for(self) -> None:
        found = read("5906" + CODE + "01AABB", "190605621601")
        assert (found.records, found.problem) == ((StoredRecord(1, rest=b"\xaa\xbb"),), "")

    def test_another_record_than_asked_for_is_said(self) -> None:
        assert "record 02" in read("5906" + CODE + "02AABB", "190605621601").problem

    def test_all_records_may_be_any(self) -> None:
        assert read("5906" + CODE + "02AABB", "1906056216FF").problem == ""

    def test_another_code_than_asked_for_is_said(self) -> None:
        assert "another code" in read("5904" + CODE, "1904056217FF").problem

    def test_a_code_with_nothing_stored(self) -> None:
        found = read("5904" + CODE, "1904056216FF")
        assert (found.codes[0].status_byte, found.records, found.data) == (0x09, (), b"")


class TestLists:
    def test_facts_beside_the_codes(self) -> None:
        found = read("594233FF1E04" + "20" + CODE)
        assert (found.group, found.available, found.numbering) == (0x33, 0xFF, 4)
        assert (found.codes[0].severity, found.codes[0].status_byte) == (0x20, 9)

    def test_a_memory_of_the_makers_choice(self) -> None:
        """PY-UDS: 59 17, memory, mask, codes."""
        found = read("591705FF" + CODE)
        assert ([c.text for c in found.codes], found.available) == (["P0562"], 0xFF)

    def test_codes_of_another_numbering_are_not_passed_off_as_codes_of_a_car(self) -> None:
        assert "SAE J1939-73" in read("594233FF1E02" + "20" + CODE).problem

    @pytest.mark.parametrize("reply", ["5901FF0100", "5902", "5903", "5914", "59F0FF", "590405"])
    def test_what_is_cut_short_or_not_read(self, reply: str) -> None:
        with pytest.raises(DecodeError):
            read_report(bytes.fromhex(reply))


class TestOlder:
    @pytest.mark.parametrize(
        ("reply", "codes", "problem"),
        [
            ("5800", [], ""),
            ("58010123E0", ["P0123"], ""),
            ("58010123E0000000", ["P0123"], ""),  # filler of the last frame
            ("58020123E0", ["P0123"], "counts 2"),
            ("58010123E00567E0", ["P0123", "P0567"], "counts 1"),
            ("58010123", [], "counts 1"),
            ("5302012345", ["P0123"], "counts 2"),
            ("53020123C100", ["P0123", "U0100"], ""),
            ("57010123E0", ["P0123"], ""),
            ("58020123E0000000", ["P0123"], ""),  # a code of zeros is an empty place
        ],
    )
    def test_codes_and_the_count(self, reply: str, codes: list[str], problem: str) -> None:
        found = read(reply)
        assert [code.text for code in found.codes] == codes
        assert problem in found.problem
        assert bool(problem) is bool(found.problem)

    def test_a_byte_left_over(self) -> None:
        found = read("58010123E0AB")
        assert "left over" in found.problem

    def test_a_reply_without_a_count(self) -> None:
        with pytest.raises(DecodeError):
            read("58")


@given(st.sampled_from([0x59, 0x58, 0x57, 0x53]), st.binary(max_size=60), st.binary(max_size=8))
def test_random_bytes_raise_only_decode_errors(first: int, body: bytes, request: bytes) -> None:
    try:
        found = read_codes(bytes([first]) + body, request=request)
    except DecodeError:
        return
    assert all(code.text and code.text[0] in "PCBU" for code in found.codes)
