"""Decoding one PID: what a reading says, what is not available, what is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.decode import decode_pid, likely_lengths
from obdlog.tables.signals import lengths

ALL_PIDS = [pid for pid in range(0x100) if lengths(pid)]


def values(pid: int, data: str, context: Context = EMPTY) -> dict[str, object]:
    return {r.signal: r.value for r in decode_pid(pid, bytes.fromhex(data), context)}


def labels(pid: int, data: str, context: Context = EMPTY) -> list[str]:
    return [r.label for r in decode_pid(pid, bytes.fromhex(data), context)]


def test_a_reading_carries_signal_label_value_unit_and_pid() -> None:
    assert decode_pid(0x0C, b"\x1a\xf8") == (Reading("RPM", "Engine speed", 1726.0, "min-1", "0C"),)


@pytest.mark.parametrize(
    ("pid", "data", "value"),
    [(0x05, "7B", 83), (0x0D, "FF", 255), (0x23, "07D0", 20000), (0x54, "FFFF", -1)],
)
def test_whole_scales_give_whole_numbers(pid: int, data: str, value: int) -> None:
    (reading,) = decode_pid(pid, bytes.fromhex(data))
    assert reading.value == value
    assert type(reading.value) is int


def test_numbers_are_the_nearest_double_of_the_exact_fraction() -> None:
    # 77 × 100/255 is 30.196078431372547…; multiplying by a rounded 100/255 would miss it.
    for raw in range(256):
        (reading,) = decode_pid(0x11, bytes([raw]))
        assert reading.value == raw * 20 / 51
    for raw in (1, 777, 65535):
        (reading,) = decode_pid(0x10, raw.to_bytes(2, "big"))
        assert reading.value == raw / 100


@pytest.mark.parametrize("bus", list(Bus))
def test_the_bus_makes_no_difference(bus: Bus) -> None:
    assert decode_pid(0x0D, b"\x32", bus=bus) == decode_pid(0x0D, b"\x32")


@pytest.mark.parametrize(
    ("pid", "size"), [(0x0C, 0), (0x0C, 1), (0x0C, 3), (0x05, 2), (0x06, 3), (0x01, 3), (0x4F, 5)]
)
def test_a_wrong_length_is_refused(pid: int, size: int) -> None:
    with pytest.raises(DecodeError, match=f"PID {pid:02X}") as caught:
        decode_pid(pid, bytes(size))
    assert caught.value.payload == bytes(size)


@pytest.mark.parametrize("pid", [0xFF, -1, 0x100])
def test_an_unknown_pid_is_refused(pid: int) -> None:
    with pytest.raises(DecodeError, match="not in this edition's signal table"):
        decode_pid(pid, b"\x00")


@settings(deadline=None)
@given(pid=st.integers(0, 0xFF), data=st.binary(max_size=70))
def test_any_bytes_decode_or_raise_decode_error(pid: int, data: bytes) -> None:
    try:
        readings = decode_pid(pid, data)
    except DecodeError:
        assert len(data) not in lengths(pid)
        return
    assert len(data) in lengths(pid)
    assert len({r.signal for r in readings}) == len(readings)
    for reading in readings:
        if isinstance(reading.value, float):
            assert math.isfinite(reading.value)
        if isinstance(reading.value, str):
            assert reading.value.isprintable()


class TestFuelTrims:
    """PIDs 06 to 09 and 55 to 58: a second byte where banks 3 or 4 exist (SAE-J1979, memory)."""

    @pytest.mark.parametrize(
        ("pid", "first", "second"),
        [
            (0x06, "SHRTFT1", "SHRTFT3"),
            (0x07, "LONGFT1", "LONGFT3"),
            (0x08, "SHRTFT2", "SHRTFT4"),
            (0x09, "LONGFT2", "LONGFT4"),
            (0x55, "STSO2FT1", "STSO2FT3"),
            (0x56, "LGSO2FT1", "LGSO2FT3"),
            (0x57, "STSO2FT2", "STSO2FT4"),
            (0x58, "LGSO2FT2", "LGSO2FT4"),
        ],
    )
    def test_one_or_two_bytes(self, pid: int, first: str, second: str) -> None:
        assert values(pid, "90") == {first: 12.5}
        assert values(pid, "9070") == {first: 12.5, second: -12.5}

    def test_a_bank_that_pid_1d_denies_has_no_trim(self) -> None:
        two_banks = EMPTY.updated(0x1D, b"\x0f")
        three_banks = EMPTY.updated(0x1D, b"\x1f")
        assert values(0x06, "9000", two_banks) == {"SHRTFT1": 12.5, "SHRTFT3": None}
        assert values(0x06, "9000", three_banks) == {"SHRTFT1": 12.5, "SHRTFT3": -100.0}
        assert values(0x08, "9000", three_banks) == {"SHRTFT2": 12.5, "SHRTFT4": None}

    @pytest.mark.parametrize(
        ("sensors", "pid", "expected"),
        [
            (None, 0x06, (1, 2)),
            (0x0F, 0x06, (1, 2)),
            (0x10, 0x06, (2, 1)),
            (0x10, 0x08, (1, 2)),
            (0x80, 0x08, (2, 1)),
            (0x80, 0x57, (2, 1)),
            (0xFF, 0x0C, (2,)),
        ],
    )
    def test_the_likely_length_follows_pid_1d(
        self, sensors: int | None, pid: int, expected: tuple[int, ...]
    ) -> None:
        context = EMPTY if sensors is None else EMPTY.updated(0x1D, bytes([sensors]))
        assert likely_lengths(pid, context) == expected


class TestOxygenSensors:
    """PID 13 or 1D decides which sensor 14–1B, 24–2B and 34–3B mean (WIKI-OBD2)."""

    TWO_BANKS = ("B1S1", "B1S2", "B1S3", "B1S4", "B2S1", "B2S2", "B2S3", "B2S4")
    FOUR_BANKS = ("B1S1", "B1S2", "B2S1", "B2S2", "B3S1", "B3S2", "B4S1", "B4S2")

    @pytest.mark.parametrize("first_pid", [0x14, 0x24, 0x34])
    @pytest.mark.parametrize(("told_by", "places"), [(0x13, TWO_BANKS), (0x1D, FOUR_BANKS)])
    def test_the_place_stands_in_the_label(
        self, first_pid: int, told_by: int, places: tuple[str, ...]
    ) -> None:
        context = EMPTY.updated(told_by, b"\xff")
        for number, place in enumerate(places):
            pid = first_pid + number
            for label in labels(pid, "80" * lengths(pid)[0], context):
                assert label.endswith(f"({place})")
                assert f"sensor {number + 1} " in label

    def test_the_place_is_not_guessed(self) -> None:
        both = EMPTY.updated(0x13, b"\x33").updated(0x1D, b"\x0f")
        for context in (EMPTY, both):
            assert labels(0x16, "5A80", context) == labels(0x16, "5A80")
            assert context.place(3) == ""

    def test_other_signals_have_no_place(self) -> None:
        assert labels(0x0C, "1AF8", EMPTY.updated(0x13, b"\x33")) == ["Engine speed"]

    def test_trim_ff_means_the_sensor_is_not_used_for_trim(self) -> None:
        assert values(0x14, "5AFF") == {"O2S1_V": 0.45, "O2S1_SHRTFT": None}
        # The same bits are an ordinary value in the trims of PID 06.
        assert values(0x06, "FF") == {"SHRTFT1": 99.21875}


class TestWhatZeroMeans:
    def test_fuel_system_off_and_secondary_air_none_are_values(self) -> None:
        assert values(0x03, "0000") == {"FUELSYS1": "off", "FUELSYS2": "off"}
        assert values(0x12, "00") == {"AIR_STAT": "none"}

    def test_no_freeze_frame_is_not_a_code(self) -> None:
        assert values(0x02, "0000") == {"DTCFRZF": None}

    def test_fuel_type_not_available_is_not_a_fuel(self) -> None:
        assert values(0x51, "00") == {"FUEL_TYPE": None}

    def test_zero_temperature_bits_are_minus_forty(self) -> None:
        assert values(0x05, "00") == {"ECT": -40}


class TestContext:
    def test_other_pids_leave_it_alone(self) -> None:
        assert EMPTY.updated(0x0C, b"\x1a\xf8") is EMPTY

    @pytest.mark.parametrize(("pid", "size"), [(0x13, 0), (0x1D, 2), (0x4F, 3), (0x50, 1)])
    def test_a_wrong_length_is_refused(self, pid: int, size: int) -> None:
        with pytest.raises(DecodeError):
            EMPTY.updated(pid, bytes(size))

    def test_it_remembers_the_latest(self) -> None:
        context = EMPTY.updated(0x4F, bytes(4)).updated(0x4F, b"\x04\x00\x00\x00")
        assert context == Context(pid_4f=b"\x04\x00\x00\x00")
        assert context.known(0x4F) == b"\x04\x00\x00\x00"
        assert context.known(0x0C) == b""
