"""Encoding is the decoder's way back, within half a step."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.model import Value
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.decode import decode_pid
from obdlog.tables.encode import encode_pid
from obdlog.tables.signals import Signal, all_signals, lengths

NUMBERS = [(signal, n) for signal in all_signals() if signal.numeric for n in signal.lengths]
PIDS = [pid for pid in range(0x100) if lengths(pid)]
FULL_SCALES = Context(pid_4f=b"\x04\x05\x80\x33", pid_50=b"\x50\x00\x00\x00")


def decoded(pid: int, data: bytes, context: Context = EMPTY) -> dict[str, Value]:
    return {r.signal: r.value for r in decode_pid(pid, data, context)}


@pytest.mark.parametrize(
    ("signal", "length"), NUMBERS, ids=lambda part: getattr(part, "name", str(part))
)
@settings(max_examples=25, deadline=None)
@given(share=st.floats(0, 1))
def test_a_number_comes_back_within_half_a_step(signal: Signal, length: int, share: float) -> None:
    assert signal.low is not None
    assert signal.high is not None
    value = signal.low + share * (signal.high - signal.low)
    data = encode_pid(signal.pid, {signal.name: value}, length=length)
    assert len(data) == length
    read = decoded(signal.pid, data)[signal.name]
    assert isinstance(read, int | float)
    assert abs(read - value) <= signal.step / 2 * (1 + 1e-9) + 1e-12 * abs(value)


@pytest.mark.parametrize(("pid", "length"), [(pid, n) for pid in PIDS for n in lengths(pid)])
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_what_was_decoded_encodes_to_the_same_readings(
    pid: int, length: int, data: st.DataObject
) -> None:
    readings = decoded(pid, data.draw(st.binary(min_size=length, max_size=length)))
    given_values = {name: value for name, value in readings.items() if value is not None}
    for wanted in (None, length):
        again = decoded(pid, encode_pid(pid, given_values, length=wanted))
        assert {name: again[name] for name in given_values} == given_values
    # What the car does not have stays so where the length is kept.
    assert again == readings


@settings(deadline=None)
@given(raw=st.integers(0, 0xFFFF))
def test_full_scales_are_used_on_the_way_back_too(raw: int) -> None:
    data = raw.to_bytes(2, "big")
    for pid, rest in ((0x10, b""), (0x24, b"\x80\x00"), (0x34, b"\x80\x00"), (0x44, b"")):
        values = decoded(pid, data + rest, FULL_SCALES)
        assert encode_pid(pid, values, FULL_SCALES) == data + rest


@pytest.mark.parametrize(
    ("pid", "name", "value", "data"),
    [
        (0x0C, "RPM", -5, "0000"),
        (0x0C, "RPM", 1e9, "FFFF"),
        (0x0C, "RPM", math.inf, "FFFF"),
        (0x05, "ECT", -math.inf, "00"),
        (0x0D, "VSS", 300, "FF"),
        (0x32, "EVAP_VP", -9e9, "8000"),
        (0x54, "EVAP_VP_W", 9e9, "7FFF"),
        (0x0C, "RPM", 1726.1, "1AF8"),
        (0x14, "O2S1_SHRTFT", 99.3, "00FE"),
    ],
)
def test_numbers_are_clipped_and_rounded(pid: int, name: str, value: float, data: str) -> None:
    assert encode_pid(pid, {name: value}).hex().upper() == data


@pytest.mark.parametrize(
    ("pid", "values", "data"),
    [
        (0x06, {"SHRTFT1": 0}, "80"),
        (0x06, {"SHRTFT1": 0, "SHRTFT3": 12.5}, "8090"),
        (0x06, {"SHRTFT3": 12.5}, "0090"),
        (0x03, {"FUELSYS1": "closed loop"}, "0200"),
        (0x03, {"FUELSYS1": 4, "FUELSYS2": "off"}, "0400"),
        (0x12, {"AIR_STAT": "none"}, "00"),
        (0x13, {"O2SLOC": "B1S1 B2S1"}, "11"),
        (0x14, {"O2S1_V": 0.45}, "5AFF"),
        (0x14, {"O2S1_V": 0.45, "O2S1_SHRTFT": None}, "5AFF"),
        (0x51, {"FUEL_TYPE": "diesel"}, "04"),
        (0x51, {"FUEL_TYPE": None}, "00"),
        (0x51, {"FUEL_TYPE": "reserved (0x2F)"}, "2F"),
        (0x02, {"DTCFRZF": "P0102"}, "0102"),
        (0x02, {"DTCFRZF": None}, "0000"),
        (0x1E, {"PTO_STAT": True}, "01"),
        (0x00, {"PIDS_SUPPORTED_01_20": "01 0C 20"}, "80100001"),
        (0x20, {"PIDS_SUPPORTED_21_40": 0x80000001}, "80000001"),
        (0x01, {"MIL": True, "DTC_CNT": 3}, "83000000"),
        (0x01, {"CAT_RDY": False}, "00000101"),
        (0x01, {"IGN_TYPE": "compression", "NMHC_RDY": True}, "00080100"),
        (0x05, {}, "00"),
        # Support bits of what is given, and of nothing else; 70 has them out of data order.
        (0x66, {"MAFB": 1}, "0200000020"),
        (0x67, {}, "000000"),
        (0x67, {"ECT1": 0, "ECT2": None}, "012800"),
        (0x70, {"BP_A_CS": "closed loop", "BP_B_ACT": 1}, "14000000000000002002"),
        (0x7A, {"DPF1_DP": -0.01}, "01FFFF00000000"),
        (0x90, {"VOBD_MI_TIME": 7}, "3F0007"),
        (0x94, {"INDUC_L2": "active"}, "0176" + "00" * 10),
        (0xC8, {"NCD_PCD_LAMP": "0A"}, "0A"),
        (0xA7, {"NOX_S34": "01 02 03 04"}, "01020304"),
        (0xA7, {"NOX_S34": "01 02 03 04 05 06 07 08 09"}, "010203040506070809"),
    ],
)
def test_texts_flags_and_what_is_left_out(pid: int, values: dict[str, Value], data: str) -> None:
    assert encode_pid(pid, values).hex().upper() == data


@pytest.mark.parametrize(
    ("pid", "values"),
    [
        (0x0C, {"VSS": 10}),
        (0x0C, {"RPM": "fast"}),
        (0x0C, {"RPM": math.nan}),
        (0xFF, {"RPM": 1}),
        (0xFF, {}),
        (0x51, {"FUEL_TYPE": "steam"}),
        (0x51, {"FUEL_TYPE": 256}),
        (0x51, {"FUEL_TYPE": 1.5}),
        (0x13, {"O2SLOC": "B3S1"}),
        (0x02, {"DTCFRZF": "X0102"}),
        (0x02, {"DTCFRZF": 5}),
        (0x1E, {"PTO_STAT": "yes"}),
        (0x00, {"PIDS_SUPPORTED_01_20": "21"}),
        (0x00, {"PIDS_SUPPORTED_01_20": "XY"}),
        (0x01, {"IGN_TYPE": "spark", "NMHC_RDY": True}),
        (0xC8, {"NCD_PCD_LAMP": "0A 0B"}),
        (0xC8, {"NCD_PCD_LAMP": "lamp"}),
        (0xC8, {"NCD_PCD_LAMP": 10}),
        (0x81, {"AECD1_TIME": 1, "AECD1_TIME1": 1}),
    ],
)
def test_what_cannot_be_said_is_refused(pid: int, values: dict[str, Value]) -> None:
    with pytest.raises(ValueError, match=r"."):
        encode_pid(pid, values)


class TestTheLength:
    """Without a wish the shortest form that can hold the values is written."""

    @pytest.mark.parametrize(
        ("pid", "values", "length"),
        [
            (0x81, {"AECD1_TIME": 60}, 21),
            (0x81, {"AECD1_TIME1": 60}, 41),
            (0x8A, {"AECD20_TIME2": 60}, 41),
            (0x83, {"NOX11": 100, "NOX21": 90}, 5),
            (0x83, {"NOX11": 100, "NOX12": 90}, 9),
        ],
    )
    def test_follows_the_values(self, pid: int, values: dict[str, Value], length: int) -> None:
        data = encode_pid(pid, values)
        assert len(data) == length
        assert decoded(pid, data).items() >= values.items()

    def test_can_be_asked_for(self) -> None:
        assert encode_pid(0x83, {"NOX21": 90}, length=5).hex() == "020000005a"
        assert encode_pid(0x83, {"NOX21": 90}, length=9).hex() == "0400000000005a0000"

    @pytest.mark.parametrize("length", [0, 4, 5])
    def test_that_cannot_hold_them_is_refused(self, length: int) -> None:
        with pytest.raises(ValueError, match=f"83 cannot hold NOX12 together in {length} bytes"):
            encode_pid(0x83, {"NOX12": 90}, length=length)


@pytest.mark.parametrize(
    ("pid", "values", "data"),
    [
        (0x6B, {"EGRT11": 215}, "01FF000000"),
        (0x6B, {"EGRT11": 216}, "1040000000"),
        (0x6B, {"EGRT11": 600, "EGRT22": 20}, "18A000003C"),
        (0x6B, {"EGRT21": 5000}, "400000FF00"),
        (0x6F, {"TCA_CINP": 255, "TCB_CINP": 256}, "09FF20"),
    ],
)
def test_the_wide_range_is_used_where_the_usual_one_ends(
    pid: int, values: dict[str, Value], data: str
) -> None:
    assert encode_pid(pid, values).hex().upper() == data
