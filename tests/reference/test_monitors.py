"""Readiness bytes of PIDs 01 and 41, worked by hand.

Source: WIKI-OBD2, "Service 01 PID 01" and "PID 41" (docs/references.md): byte A lamp and count;
byte B bits 0 to 2 supported, 4 to 6 incomplete, bit 3 compression ignition; bytes C and D the
same for the monitors that run once a trip, bit 0 of C being the catalyst and bit 7 EGR or VVT.
"""

from __future__ import annotations

import pytest

from obdlog.errors import DecodeError
from obdlog.tables.decode import decode_pid
from obdlog.tables.monitors import Monitor, MonitorStatus, decode_monitors, encode_monitors

SPARK_C_D = [
    (0, "catalyst"),
    (1, "heated-catalyst"),
    (2, "evaporative-system"),
    (3, "secondary-air"),
    (4, "ac-refrigerant-or-gpf"),
    (5, "oxygen-sensor"),
    (6, "oxygen-sensor-heater"),
    (7, "egr-vvt"),
]
COMPRESSION_C_D = [
    (0, "nmhc-catalyst"),
    (1, "nox-scr"),
    (3, "boost-pressure"),
    (5, "exhaust-gas-sensor"),
    (6, "pm-filter"),
    (7, "egr-vvt"),
]
CONTINUOUS = [(0, "misfire"), (1, "fuel-system"), (2, "components")]


def by_name(status: MonitorStatus) -> dict[str, Monitor]:
    return {monitor.name: monitor for monitor in status.monitors}


@pytest.mark.parametrize(("bit", "name"), CONTINUOUS)
@pytest.mark.parametrize("ignition", [0x00, 0x08])
def test_continuous_monitors_are_in_byte_b(bit: int, name: str, ignition: int) -> None:
    ran = decode_monitors(bytes([0, ignition | 1 << bit, 0, 0]))
    due = decode_monitors(bytes([0, ignition | 0x11 << bit, 0, 0]))
    assert by_name(ran)[name] == Monitor(name, supported=True, complete=True)
    assert by_name(due)[name] == Monitor(name, supported=True, complete=False)
    assert [m.name for m in ran.monitors if m.supported] == [name]


@pytest.mark.parametrize(
    ("ignition", "bit", "name"),
    [(0x00, *row) for row in SPARK_C_D] + [(0x08, *row) for row in COMPRESSION_C_D],
)
def test_other_monitors_are_supported_in_c_and_incomplete_in_d(
    ignition: int, bit: int, name: str
) -> None:
    ran = decode_monitors(bytes([0, ignition, 1 << bit, 0xFF ^ 1 << bit]))
    due = decode_monitors(bytes([0, ignition, 1 << bit, 1 << bit]))
    assert by_name(ran)[name] == Monitor(name, supported=True, complete=True)
    assert by_name(due)[name] == Monitor(name, supported=True, complete=False)
    assert due.incomplete() == (by_name(due)[name],)
    assert [m.name for m in ran.monitors if m.supported] == [name]
    assert ran.incomplete() == ()


@pytest.mark.parametrize("data", ["00000000", "007000FF", "000800FF"])
def test_completeness_of_what_is_not_supported_means_nothing(data: str) -> None:
    status = decode_monitors(bytes.fromhex(data))
    assert {m.complete for m in status.monitors} == {None}
    assert status.incomplete() == ()


@pytest.mark.parametrize(
    ("data", "lamp", "count"),
    [("00", False, 0), ("80", True, 0), ("81", True, 1), ("7F", False, 127), ("FF", True, 127)],
)
def test_lamp_is_the_top_bit_and_the_count_the_low_seven(data: str, lamp: bool, count: int) -> None:
    status = decode_monitors(bytes.fromhex(data + "07E500"))
    assert (status.lamp, status.code_count) == (lamp, count)


def test_a_petrol_car_after_clearing() -> None:
    # Lamp on, three codes; all three continuous monitors; catalyst, evaporative system, oxygen
    # sensors, their heaters and EGR supported; catalyst and evaporative system still to run.
    status = decode_monitors(bytes.fromhex("8307E505"))
    assert status.ignition == "spark"
    assert [m.name for m in status.incomplete()] == ["catalyst", "evaporative-system"]
    assert [m.name for m in status.monitors if not m.supported] == [
        "heated-catalyst",
        "secondary-air",
        "ac-refrigerant-or-gpf",
    ]


def test_a_diesel_after_clearing() -> None:
    status = decode_monitors(bytes.fromhex("000FE9A1"))
    assert status.ignition == "compression"
    assert [m.name for m in status.incomplete()] == [
        "nmhc-catalyst",
        "exhaust-gas-sensor",
        "egr-vvt",
    ]


def test_pid_41_carries_neither_lamp_nor_count_and_means_this_drive() -> None:
    status = decode_monitors(bytes.fromhex("FF07E5E5"), this_drive=True)
    assert (status.lamp, status.code_count) == (False, 0)
    assert "MIL" not in {reading.signal for reading in decode_pid(0x41, bytes.fromhex("FF07E5E5"))}
    assert [m.name for m in status.incomplete()] == [
        "catalyst",
        "evaporative-system",
        "oxygen-sensor",
        "oxygen-sensor-heater",
        "egr-vvt",
    ]


@pytest.mark.parametrize("this_drive", [False, True])
@pytest.mark.parametrize("data", ["8307E505", "000FE9A1", "00000000", "7F77FFFF", "7F7FEBEB"])
def test_encoding_gives_the_bytes_back(data: str, this_drive: bool) -> None:
    raw = bytes.fromhex(("00" if this_drive else data[:2]) + data[2:])
    status = decode_monitors(raw, this_drive=this_drive)
    assert encode_monitors(status, this_drive=this_drive) == raw


def test_the_other_ignitions_monitor_cannot_be_encoded() -> None:
    status = MonitorStatus(False, 0, "spark", (Monitor("pm-filter", True, True),))
    with pytest.raises(ValueError, match="pm-filter"):
        encode_monitors(status)


@pytest.mark.parametrize("size", [0, 1, 3, 5])
def test_another_length_is_refused(size: int) -> None:
    with pytest.raises(DecodeError):
        decode_monitors(bytes(size))


def test_readings_of_pid_01() -> None:
    values = {r.signal: r.value for r in decode_pid(0x01, bytes.fromhex("8307E505"))}
    assert values["MIL"] is True
    assert values["DTC_CNT"] == 3
    assert values["IGN_TYPE"] == "spark"
    assert (values["MISFIRE_SUP"], values["MISFIRE_RDY"]) == (True, True)
    assert (values["CAT_SUP"], values["CAT_RDY"]) == (True, False)
    assert (values["HCAT_SUP"], values["HCAT_RDY"]) == (False, None)
    assert "PM_SUP" not in values
