"""Service 05: oxygen sensor tests of the older buses."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.services.decode import decode_line
from obdlog.services.oxygen_tests import (
    OxygenTest,
    name_of_oxygen_test,
    parse_oxygen_tests,
    parse_supported_tests,
)
from obdlog.tables.decode import EMPTY


def one(reply: str) -> OxygenTest:
    (test,) = parse_oxygen_tests(bytes.fromhex(reply))
    return test


@pytest.mark.parametrize(
    ("test_id", "top", "unit"),
    [  # steps of 0.005 V, 0.004 s, 0.04 s: SCAPY-OBD; one value or three: from memory
        ("01", 1.275, "V"), ("02", 1.275, "V"), ("03", 1.275, "V"), ("04", 1.275, "V"),
        ("05", 1.02, "s"), ("06", 1.02, "s"), ("07", 1.275, "V"), ("08", 1.275, "V"),
        ("09", 10.2, "s"), ("0A", 10.2, "s"), ("30", 255, ""), ("0B", 255, ""),
    ],
)  # fmt: skip
def test_scales_reach_from_nothing_to_the_top(test_id: str, top: float, unit: str) -> None:
    found = one(f"45{test_id}01FF00FF")
    assert (found.value, found.low, found.high, found.unit) == (top, 0, top, unit)
    assert found.scaling == ("standard" if unit else "unknown")
    assert one(f"45{test_id}0100").value == 0


@pytest.mark.parametrize(
    ("figures", "result"),
    [("121219", "pass"), ("191219", "pass"), ("111219", "fail"), ("1A1219", "fail")],
)
def test_limits_are_inclusive(figures: str, result: str) -> None:
    assert one("450501" + figures).result == result


def test_a_constant_has_no_limits_and_passes() -> None:
    found = one("4501015A")
    assert (found.value, found.low, found.high, found.result) == (0.45, None, None, "pass")


def test_a_result_of_zeros_has_not_run() -> None:
    # As in service 06 (from memory).
    found = one("450501000000")
    assert (found.value, found.low, found.high, found.result) == (None, None, None, "not-run")


@pytest.mark.parametrize(
    ("sensor", "pid", "place"),
    [  # bits of PIDs 13 and 1D: COVESA-VSS
        ("01", None, "B1S1"), ("02", None, "B1S2"), ("04", None, None), ("03", None, None),
        ("04", 0x13, "B1S3"), ("04", 0x1D, "B2S1"), ("10", 0x13, "B2S1"), ("80", 0x1D, "B4S2"),
    ],
)  # fmt: skip
def test_where_a_sensor_sits(sensor: str, pid: int | None, place: str | None) -> None:
    context = EMPTY.updated(pid, b"\xff") if pid else EMPTY
    assert one(f"4501{sensor}5A").place(context) == place


def test_the_decoded_object_names_the_place() -> None:
    line = {"reply": "4507041200FF", "bus": "legacy", "context": ["411D0F"]}
    (test,) = decode_line(line)["tests"]
    assert (test["component"], test["place"]) == ("04", "B2S1")


def test_names_say_whose_test_it_is() -> None:
    assert name_of_oxygen_test(0x05) == "rich to lean switch time"
    assert name_of_oxygen_test(0x0B) == "reserved by the standard"
    assert name_of_oxygen_test(0x30) == "the maker's own test"


def test_supported_tests() -> None:
    assert parse_supported_tests(bytes.fromhex("450001CC000000")) == (1, 2, 5, 6)
    assert parse_oxygen_tests(bytes.fromhex("450001CC000000")) == ()
    for wrong in ("450001CC0000", "450101CC000000"):
        with pytest.raises(DecodeError):
            parse_supported_tests(bytes.fromhex(wrong))


@given(st.binary(max_size=12))
def test_random_bytes_raise_only_decode_errors(body: bytes) -> None:
    try:
        parse_oxygen_tests(b"\x45" + body)
    except DecodeError:
        return
    assert len(body) in (3, 5, 6)
