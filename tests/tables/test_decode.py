"""Decoding one PID: what a reading says, what is not available, what is refused."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.decode import decode_pid, likely_lengths
from obdlog.tables.signals import by_pid, lengths

SENTENCE = re.compile(
    r"PID [0-9A-F]{2} (is not in this edition's signal table|has \d+( or \d+)* data bytes, not \d+)"
)
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


@settings(max_examples=400, deadline=None)
@given(
    pid=st.integers(0, 0xFF),
    data=st.binary(max_size=70) | st.integers(0, 70).map(bytes),
)
def test_any_bytes_decode_or_raise_decode_error(pid: int, data: bytes) -> None:
    try:
        readings = decode_pid(pid, data)
    except DecodeError as error:
        readings, told = (), str(error)
    else:
        told = ""
    assert bool(told) is (len(data) not in lengths(pid))
    assert not told or SENTENCE.fullmatch(told)
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
            (None, 0x81, (41, 21)),
            (None, 0x83, (9, 5)),
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


class TestSupportBits:
    """A field whose support bit is clear holds no value, whatever its bits say."""

    @pytest.mark.parametrize(
        "pid", [p for p in ALL_PIDS if any(s.support for s in by_pid(p)) and p > 0x60]
    )
    @pytest.mark.parametrize("filler", ["00", "FF"])
    def test_none_set_means_no_value(self, pid: int, filler: str) -> None:
        for length in lengths(pid):
            supported = {s.name for s in by_pid(pid) if length in s.lengths and s.support}
            found = values(pid, "00" + filler * (length - 1))
            assert [found[name] for name in supported] == [None] * len(supported)

    def test_they_do_not_follow_the_order_of_the_data(self) -> None:
        # SAE-J1699-3 and OPEN-J1979: A.0 to A.2 for system A, A.3 to A.5 for B, status last.
        nothing = dict.fromkeys(("BP_A_CMD", "BP_A_ACT", "BP_A_CS"))
        found = values(0x70, "38" + "0C80" * 4 + "06")
        assert found == nothing | {"BP_B_CMD": 100, "BP_B_ACT": 100, "BP_B_CS": "open loop"}
        found = values(0x71, "07" + "FF" * 4 + "02")
        assert found["VGT_A_CS"] == "closed loop"
        assert (found["VGT_A_CMD"], found["VGT_B_CMD"], found["VGT_B_CS"]) == (100, None, None)


class TestTheLengthChoosesTheForm:
    """Two editions of one PID, told apart by their length (SCAPY-OBD for the older ones)."""

    def test_second_nox_value(self) -> None:
        assert values(0x83, "0300640032") == {"NOX11": 100, "NOX21": 50}
        newer = values(0x83, "030064003200000000")
        assert newer == {"NOX11": 100, "NOX12": 50, "NOX21": None, "NOX22": None}

    @pytest.mark.parametrize(("pid", "first"), [(0x81, 1), (0x82, 6), (0x89, 11), (0x8A, 16)])
    def test_one_or_two_timers_a_device(self, pid: int, first: int) -> None:
        names = [f"AECD{first + n}_TIME" for n in range(5)]
        older = values(pid, "1F" + "".join(f"{n:08X}" for n in range(5)))
        assert older == {name: n for n, name in enumerate(names)}
        newer = values(pid, "11" + "".join(f"{n:08X}" for n in range(10)))
        assert newer[f"AECD{first}_TIME2"] == 1
        assert newer[f"AECD{first + 4}_TIME2"] == 9
        assert newer[f"AECD{first + 1}_TIME1"] is None


class TestWideRanges:
    """Support bits 4 to 7 of 6B and 2 to 3 of 6F choose a coarser scale (one public table)."""

    def test_egr_temperature(self) -> None:
        found = values(0x6B, "2164646464")
        assert found == {"EGRT11": 60, "EGRT12": 360, "EGRT21": None, "EGRT22": None}

    def test_compressor_inlet_pressure(self) -> None:
        assert values(0x6F, "066464") == {"TCA_CINP": 800, "TCB_CINP": 100}


def test_counters_of_32_bits_are_exact() -> None:
    assert values(0xA6, "FFFFFFFF") == {"ODO": 429496729.5}
    assert values(0xA6, "00000001") == {"ODO": 0.1}
    assert values(0x7F, "01FFFFFFFF" + "00" * 8)["RUN_TIME"] == 4294967295
    assert type(values(0x7F, "01FFFFFFFE" + "00" * 8)["RUN_TIME"]) is int


def test_bytes_that_no_source_describes_are_shown_as_they_are() -> None:
    assert values(0xC3, "01FF") == {"FLI_AB": "01 FF"}
    assert values(0xA7, "0F" + "00" * 8) == {"NOX_S34": "0F 00 00 00 00 00 00 00 00"}


@pytest.mark.parametrize(
    ("pid", "data", "signal", "value"),
    [
        (0x90, "3F0000", "MI_MODE_VOBD", None),
        (0x90, "030000", "MI_DISP_VOBD", None),
        (0x90, "000000", "VOBD_RDY", True),
        (0x90, "400000", "VOBD_RDY", False),
        (0x91, "0F00000000", "MI_MODE_ECU", None),
        (0x91, "0300000000", "MI_MODE_ECU", "continuous"),
        (0x94, "017F" + "00" * 10, "INDUC_L1", None),
        (0x94, "0140" + "00" * 10, "INDUC_L3", "active"),
        (0x88, "81" + "00" * 12, "SCR_INDUCE_SYSTEM", "reagent level too low; inducement active"),
        (0x88, "0020" + "00" * 11, "SCR_INDUCE_SYSTEM_HIST2", "wrong reagent"),
        (0xE0, "80000003", "PIDS_SUPPORTED_E1_FF", "E1 FF"),
    ],
)
def test_states_of_newer_pids(pid: int, data: str, signal: str, value: object) -> None:
    assert values(pid, data)[signal] == value


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
