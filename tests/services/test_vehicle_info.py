"""Service 09 on CAN and, merged, on the older buses. All numbers are invented."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.vehicle_info import VehicleInfo, parse_vehicle_info

VIN = "XX0SAMPLE00000017"


def info(start: str, data: bytes, bus: Bus = Bus.CAN) -> VehicleInfo:
    return parse_vehicle_info(bytes.fromhex(start) + data, bus)


@pytest.mark.parametrize(
    ("start", "data", "bus"),
    [
        ("490201", VIN.encode(), Bus.CAN),
        ("4902", VIN.encode(), Bus.CAN),  # without a count
        ("490201", b"\0\0\0" + VIN.encode(), Bus.LEGACY),
        ("490201", b"\0\0\0" + VIN.encode() + b"\0", Bus.CAN),
    ],
)
def test_vin_padding_goes_in_front_and_behind(start: str, data: bytes, bus: Bus) -> None:
    found = info(start, data, bus)
    assert (found.items, found.problem) == ((VIN,), "")


def test_part_of_a_vin_is_named_as_such() -> None:
    assert info("490201", b"XX0", Bus.LEGACY).problem == "the VIN has 3 of 17 characters"
    assert info("490201", b"\0" * 17).problem == "the module holds no VIN"


def test_calibrations_have_sixteen_bytes_each() -> None:
    data = b"CAL-A001".ljust(16, b"\0") + b"CAL-B".ljust(16, b"\0")
    assert info("490402", data).items == ("CAL-A001", "CAL-B")
    assert info("490401", data, Bus.LEGACY).items == ("CAL-A001", "CAL-B")


def test_verification_numbers_keep_leading_zeros() -> None:
    data = bytes.fromhex("0000123400ABCDEF")
    assert info("490602", data).items == ("00001234", "00ABCDEF")
    assert info("490601", data, Bus.LEGACY).items == ("00001234", "00ABCDEF")


def test_a_wrong_count_and_a_cut_item_are_reported() -> None:
    assert "counts 3" in info("490603", bytes(8)).problem
    assert "cut short" in info("490602", bytes(6)).problem


def test_counters_have_names_and_ratios() -> None:
    counts = [100, 250, 10, 40, 0, 0, 5, 0]
    found = info("490808", b"".join(n.to_bytes(2, "big") for n in counts))
    assert dict(found.counters)["IGNCNTR"] == 250
    assert found.ratios() == {"CAT1": Fraction(1, 4)}  # no ratio where no condition was met
    diesel = info("490B04", bytes.fromhex("0001000200030004"))
    assert [name for name, _ in diesel.counters][2:] == ["HCCATCOMP", "HCCATCOND"]


def test_counters_beyond_those_that_are_public_keep_their_counts() -> None:
    found = info("49081D", bytes(56) + b"\x01\x02")
    assert (len(found.counters), found.unnamed, found.problem) == (28, (0x0102,), "")
    assert "not public" in found.note


def test_module_names_are_escaped() -> None:
    assert info("490A01", b"ECM\0-EngineControl\0\0").items == ("ECM-EngineControl",)
    assert info("490A01", b"A\x1b[2J\xe9").items == ("A\\x1B[2J\\xE9",)


def test_message_counts_and_bitmaps() -> None:
    assert info("4901", b"\x05", Bus.LEGACY).count == 5
    assert info("4900", bytes.fromhex("55000000")).supported == (2, 4, 6, 8)
    assert info("490001", bytes.fromhex("55000000"), Bus.LEGACY).supported == (2, 4, 6, 8)


def test_an_unknown_type_shows_text_or_bytes() -> None:
    assert info("493A01", b"sample").items == ("sample",)
    raw = info("492B01", b"\x01\x02")
    assert (raw.items, raw.raw, raw.problem) == ((), b"\x01\x01\x02", "")
    assert "not public" in raw.note


@pytest.mark.parametrize("reply", ["", "49", "4902", "49000102", "4102"])
def test_what_is_cut_short(reply: str) -> None:
    with pytest.raises(DecodeError):
        parse_vehicle_info(bytes.fromhex(reply))


@given(st.binary(max_size=80), st.sampled_from(Bus))
def test_random_bytes_raise_only_decode_errors(body: bytes, bus: Bus) -> None:
    try:
        found = parse_vehicle_info(b"\x49" + body, bus)
    except DecodeError:
        return
    assert all(item.isascii() and item.isprintable() for item in found.items)
