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

NUMBERS = [signal for signal in all_signals() if signal.numeric]
FULL_SCALES = Context(pid_4f=b"\x04\x05\x80\x33", pid_50=b"\x50\x00\x00\x00")


def decoded(pid: int, data: bytes, context: Context = EMPTY) -> dict[str, Value]:
    return {r.signal: r.value for r in decode_pid(pid, data, context)}


@settings(deadline=None)
@given(signal=st.sampled_from(NUMBERS), share=st.floats(0, 1))
def test_a_number_comes_back_within_half_a_step(signal: Signal, share: float) -> None:
    assert signal.low is not None
    assert signal.high is not None
    value = signal.low + share * (signal.high - signal.low)
    read = decoded(signal.pid, encode_pid(signal.pid, {signal.name: value}))[signal.name]
    assert isinstance(read, int | float)
    assert abs(read - value) <= signal.step / 2 * (1 + 1e-9) + 1e-12 * abs(value)


@settings(deadline=None)
@given(pid=st.sampled_from([p for p in range(0x60) if lengths(p)]), seed=st.binary(min_size=4))
def test_what_was_decoded_encodes_to_the_same_readings(pid: int, seed: bytes) -> None:
    for length in lengths(pid):
        readings = decoded(pid, seed[:length])
        given_values = {name: value for name, value in readings.items() if value is not None}
        again = decoded(pid, encode_pid(pid, given_values))
        assert {name: again[name] for name in given_values} == given_values


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
    ],
)
def test_what_cannot_be_said_is_refused(pid: int, values: dict[str, Value]) -> None:
    with pytest.raises(ValueError, match=r"."):
        encode_pid(pid, values)
