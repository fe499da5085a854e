"""Service 09 on CAN and, merged, on the older buses. All numbers are invented."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.objects import info_object
from obdlog.services.vehicle_info import VehicleInfo, parse_vehicle_info
from obdlog.tables.info_types import info_types

ROOT = Path(__file__).parent.parent.parent
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
    assert info("490201", b"\x11").problem == "the VIN has 1 of 17 characters"
    assert "no characters" in info("490201", VIN[:16].encode() + b"\x11").problem
    assert info("490201", b"\0" * 17).problem == "the module holds no VIN"


def test_calibrations_have_sixteen_bytes_each() -> None:
    data = b"CAL-A001".ljust(16, b"\0") + b"CAL-B".ljust(16, b"\0")
    assert info("490402", data).items == ("CAL-A001", "CAL-B")
    assert info("490401", data, Bus.LEGACY).items == ("CAL-A001", "CAL-B")


def test_verification_numbers_keep_leading_zeros() -> None:
    data = bytes.fromhex("0000123400ABCDEF")
    assert info("490602", data).items == ("00001234", "00ABCDEF")
    assert info("490601", data, Bus.LEGACY).items == ("00001234", "00ABCDEF")


@pytest.mark.parametrize(
    ("start", "data", "bus", "words", "held"),
    [
        ("490603", bytes(8), Bus.CAN, "counts 3", 2),
        ("490602", bytes(6), Bus.CAN, "cut short", 1),
        ("490602", bytes(7), Bus.CAN, "cut short", 1),
        ("490402", b"CAL".ljust(31, b"\0"), Bus.CAN, "cut short", 1),
        ("490402", b"CAL".ljust(16, b"\0"), Bus.CAN, "counts 2", 1),
        ("490202", VIN.encode(), Bus.CAN, "counts 2", 1),
        ("490200", VIN.encode(), Bus.CAN, "counts 0", 1),
        ("490A03", b"ECM\0-EngineControl\0\0", Bus.CAN, "counts 3", 1),
        ("490D02", b"S".rjust(17, b"\0"), Bus.CAN, "counts 2", 1),
        ("490203", b"PLE0", Bus.LEGACY, "4 of 17", 1),
        ("490602", bytes(4), Bus.LEGACY, "message 2", 1),
        ("490A04", b"Sample", Bus.LEGACY, "message 4", 1),
        ("490601", b"", Bus.CAN, "no items", 0),
    ],
)
def test_what_is_wrong_is_said_beside_what_was_read(
    start: str, data: bytes, bus: Bus, words: str, held: int
) -> None:
    found = info(start, data, bus)
    assert words in found.problem
    assert len(found.items) == held


def test_counters_that_lack_a_byte_are_not_shifted_by_one() -> None:
    """The item count of service 09 on CAN is never left out (SAE J1979)."""
    found = info("490802", bytes.fromhex("000500"))
    assert (found.counters, found.problem) == (
        (("OBDCOND", 5),),
        "the last item is cut short: 1 of 2 bytes",
    )


def test_two_identification_numbers() -> None:
    found = info("490202", VIN.encode() * 2)
    assert (found.items, found.problem) == ((VIN, VIN), "")
    assert info_object(found)["more"] == [VIN]


@pytest.mark.parametrize("filler", ["00", "55", "AA", "CC", "FF"])
def test_filler_after_the_counted_items_is_no_item(filler: str) -> None:
    """ISO 15765-2 fills the last frame; the count says where the items end."""
    found = info("490601", bytes.fromhex("00001234" + filler * 3))
    assert (found.items, found.problem) == (("00001234",), "")
    name = info("490A01", b"ECM\0-EngineControl\0\0" + bytes.fromhex(filler * 2))
    assert (name.items, name.problem) == (("ECM-EngineControl",), "")
    ended = info("490201", b"\0\0\0" + b"XX0SAMPLE00000UUU")  # U is 55
    assert (ended.items, ended.problem) == (("XX0SAMPLE00000UUU",), "")


def test_calibrations_keep_the_places_of_their_verification_numbers() -> None:
    ids = bytes(16) + b"CAL-B".ljust(16, b"\0") + bytes(16)
    assert info("490403", ids).items == ("", "CAL-B")


def test_padding_in_front_and_behind_a_calibration() -> None:
    ids = b"CAL-A".rjust(16, b"\0") + b"CAL-B".ljust(16, b"\0")
    assert info("490402", ids).items == ("CAL-A", "CAL-B")


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


@pytest.mark.parametrize(
    ("kind", "text", "size"),
    [("0D", "S4MPLE0000042", 17), ("0F", "e1*00*0000", 17), ("11", "GTR_005.000", 11)],
)
@pytest.mark.parametrize("bus", Bus)
def test_numbers_of_engine_approval_and_regulation(
    kind: str, text: str, size: int, bus: Bus
) -> None:
    """17 bytes, padded in front (SAE-J1699-3); 11 for the regulation (public code)."""
    front = b"" if bus is Bus.CAN else b"\0" * 3
    found = info(f"49{kind}01", front + text.encode().rjust(size, b"\0"), bus)
    assert (found.items, found.problem, found.note) == ((text,), "", "")
    assert info_object(found)["text"] == text


@pytest.mark.parametrize(
    ("reply", "number", "unit", "note"),
    [  # two bytes each; FFFF: not judged since clearing (SAE-J1699-3)
        ("49120100D4", 212, "count", None), ("491201FFFF", 65535, "count", None),
        ("49140100D4", 212, "km", None), ("491401FFFE", 65534, "km", None),
        ("491401FFFF", None, "km", "not available: not judged since clearing"),
        ("49100101", 1, "", None), ("491001EE", 0xEE, "", None),
    ],
)  # fmt: skip
def test_numbers(reply: str, number: int | None, unit: str, note: str | None) -> None:
    found = parse_vehicle_info(bytes.fromhex(reply))
    shown = info_object(found)
    assert (found.problem, shown["number"], shown["unit"]) == ("", number, unit)
    assert shown.get("note") == note


def test_a_reserved_protocol_says_so() -> None:
    assert info_object(parse_vehicle_info(bytes.fromhex("491001EE")))["text"] == "reserved (EE)"


def test_several_bitmaps_in_one_reply() -> None:
    found = parse_vehicle_info(bytes.fromhex("490055400001" + "2080000000"))
    assert found.supported == (2, 4, 6, 8, 10, 32, 33)
    with pytest.raises(DecodeError):
        parse_vehicle_info(bytes.fromhex("4900554000012180000000"))


def test_a_module_s_own_name_is_explained() -> None:
    shown = info_object(info("490A01", b"TCM\0-TransmisCtrl\0\0\0"))
    assert (shown["ecu_name"], shown["ecu_meaning"]) == (
        "TCM-TransmisCtrl",
        "transmission control",
    )
    assert info_object(info("490A01", b"ZZZ\0-Sample"))["ecu_meaning"] is None


def test_every_documented_key_is_there() -> None:
    """``docs/decode.md`` promises a key for each info type."""
    text = (ROOT / "docs" / "decode.md").read_text(encoding="utf-8")
    for kind in info_types().values():
        assert f"`{kind.key}`" in text
        assert f"{kind.id:02X}" in text
        shown = info_object(info(f"49{kind.id:02X}01", bytes(kind.size)))
        assert shown["name"] == kind.label
        assert kind.key in shown


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
    assert json.loads(json.dumps(info_object(found))) == info_object(found)
