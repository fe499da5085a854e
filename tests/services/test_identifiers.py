"""Service 22 where its identifiers carry what services 01, 06 and 09 carry elsewhere."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.services.decode import decode_line
from obdlog.services.identifiers import parse_identifiers

RECORD = "0A0B0E720BB80FFF"
SECOND = "0B0B0001000000FF"
VIN = b"XX0SAMPLE00000017".hex()


def decode(reply: str) -> dict[str, Any]:
    return decode_line({"reply": reply})


def test_test_results_read_as_in_service_06() -> None:
    # SAE J1979-2: F6xx is service 06 of monitor xx (from memory).
    classic = decode("46A1" + RECORD)["tests"]
    assert decode("62F6A1" + RECORD)["tests"] == classic


@pytest.mark.parametrize("again", ["", "A1"])
def test_further_records_may_repeat_the_monitor_or_not(again: str) -> None:
    result = decode("62F6A1" + RECORD + again + SECOND)
    assert result["error"] is None
    assert [(t["monitor_id"], t["test_id"]) for t in result["tests"]] == [
        ("A1", "0A"),
        ("A1", "0B"),
    ]


def test_part_of_a_record_is_named_beside_the_whole_ones() -> None:
    result = decode("62F601" + RECORD + "0102")
    assert len(result["tests"]) == 1
    assert "whole records" in result["error"]
    assert decode("62F60101")["tests"] == []


def test_monitors_are_named_by_bitmaps() -> None:
    assert decode("62F600C0000001")["info"] == {
        "identifier": "F600",
        "supported": ["01", "02", "20"],
    }
    assert "4 bytes" in decode("62F600C000")["error"]


@pytest.mark.parametrize("reply", ["62F802" + VIN, "62F80201" + VIN, "62F190" + VIN])
def test_the_vin_with_and_without_an_item_count(reply: str) -> None:
    result = decode(reply)
    assert (result["error"], result["info"]["vin"]) == (None, "XX0SAMPLE00000017")


@pytest.mark.parametrize("count", ["", "02"])
def test_items_with_and_without_a_count(count: str) -> None:
    ids = b"CAL-A".ljust(16, b"\0").hex() + b"CAL-B".ljust(16, b"\0").hex()
    assert decode("62F804" + count + ids)["info"]["calibrations"] == ["CAL-A", "CAL-B"]
    cvns = decode("62F806" + count + "0000123400ABCDEF")["info"]["cvns"]
    assert cvns == ["00001234", "00ABCDEF"]


@pytest.mark.parametrize("reply", ["62F81001", "62F8100101"])
def test_protocol_identification(reply: str) -> None:
    # 01 is ISO 27145-4, all else reserved (public code).
    info = decode(reply)["info"]
    assert info["number"] == 1
    assert "27145" in info["text"]


def test_other_identifiers_show_their_bytes() -> None:
    assert decode("62F70101AA")["info"] == {"identifier": "F701", "hex": "01AA"}


@given(st.sampled_from(["F4", "F6", "F8", "F1"]), st.binary(min_size=1, max_size=60))
def test_random_bytes_raise_only_decode_errors(family: str, body: bytes) -> None:
    payload = b"\x62" + bytes.fromhex(family) + body
    try:
        found = parse_identifiers(payload)
    except DecodeError:
        return
    assert found.identifier.startswith(family)
