"""Worked values of every unit-and-scaling identifier of service 06.

Typed by hand from the multipliers that SCAPY-OBD and one public table (docs/references.md) list;
where both list one they agree. Raw 0064 is 100 steps, FF9C in two's complement is −100 steps.
Printed 0.0000305, 0.00024414, 0.00006103516 and 0.0039062 are 2, 16, 4 and 256 parts of 65536
(SAE-J1979, from memory); other printed decimals are taken as they stand.
"""

from __future__ import annotations

import pytest

from obdlog.tables.uasid import all_scalings, scaling, scaling_or_raw

WORKED = [
    (0x01, 0x0064, 100, ""), (0x02, 0x0064, 10, ""), (0x03, 0x0064, 1, ""),
    (0x04, 0x0064, 0.1, ""), (0x05, 0x8000, 1, ""), (0x06, 0x0064, 0.0305, ""),
    (0x07, 0x0064, 25, "min-1"), (0x08, 0x0064, 1, "km/h"), (0x09, 0x0064, 100, "km/h"),
    (0x0A, 0x0064, 12.2, "mV"), (0x0B, 0x0064, 0.1, "V"), (0x0C, 0x0064, 1, "V"),
    (0x0D, 0x0100, 1, "mA"), (0x0E, 0x0064, 0.1, "A"), (0x0F, 0x0064, 1, "A"),
    (0x10, 0x0064, 100, "ms"), (0x11, 0x0064, 10000, "ms"), (0x12, 0x0064, 100, "s"),
    (0x13, 0x0064, 100, "mOhm"), (0x14, 0x0064, 100, "Ohm"), (0x15, 0x0064, 100, "kOhm"),
    (0x16, 0x0064, -30, "°C"), (0x16, 0x0000, -40, "°C"), (0x16, 0xFFFF, 6513.5, "°C"),
    (0x17, 0x0064, 1, "kPa"), (0x18, 0x0064, 1.17, "kPa"), (0x19, 0x0064, 7.9, "kPa"),
    (0x1A, 0x0064, 100, "kPa"), (0x1B, 0x0064, 1000, "kPa"), (0x1C, 0x0064, 1, "°"),
    (0x1D, 0x0064, 50, "°"), (0x1E, 0x8000, 1, "lambda"), (0x1F, 0x0064, 5, "A/F ratio"),
    (0x20, 0x0100, 1, "ratio"), (0x21, 0x0064, 100, "mHz"), (0x22, 0x0064, 100, "Hz"),
    (0x23, 0x0064, 100, "kHz"), (0x24, 0x0064, 100, "counts"), (0x25, 0x0064, 100, "km"),
    (0x26, 0x0064, 10, "mV/ms"), (0x27, 0x0064, 1, "g/s"), (0x28, 0x0064, 100, "g/s"),
    (0x29, 0x0064, 25, "Pa/s"), (0x2A, 0x0064, 0.1, "kg/h"), (0x2B, 0x0064, 100, "switches"),
    (0x2C, 0x0064, 1, "g/cyl"), (0x2D, 0x0064, 1, "mg/stroke"), (0x2E, 0x0001, 1, "true/false"),
    (0x2F, 0x0064, 1, "%"), (0x30, 0x0064, 0.1526, "%"), (0x31, 0x0064, 0.1, "L"),
    (0x32, 0x8000, 1, "inch"), (0x33, 0x1000, 1, "lambda"), (0x34, 0x0064, 100, "min"),
    (0x35, 0x0064, 1000, "ms"), (0x36, 0x0064, 1, "g"), (0x37, 0x0064, 10, "g"),
    (0x38, 0x0064, 100, "g"), (0x39, 0x8000, 0, "%"), (0x39, 0x0000, -327.68, "%"),
    (0x3A, 0x0064, 0.1, "g"), (0x3B, 0x0064, 0.01, "g"), (0x3C, 0x0064, 10, "µs"),
    (0x3D, 0x0064, 1, "mA"), (0x3E, 0x4000, 1, "mm2"), (0x3F, 0x0064, 1, "L"),
    (0x40, 0x0064, 100, "ppm"), (0x41, 0x0064, 1, "µA"), (0x42, 0x0064, 10, "kJ"),
    (0x43, 0x1000, 1, "g/kWh"),
    (0x81, 0xFF9C, -100, ""), (0x82, 0xFF9C, -10, ""), (0x83, 0xFF9C, -1, ""),
    (0x84, 0xFF9C, -0.1, ""), (0x85, 0x8000, -1, ""), (0x86, 0xFF9C, -0.0305, ""),
    (0x87, 0xFF9C, -100, "ppm"), (0x8A, 0xFF9C, -12.2, "mV"), (0x8B, 0xFF9C, -0.1, "V"),
    (0x8C, 0xFF9C, -1, "V"), (0x8D, 0xFF00, -1, "mA"), (0x8E, 0xFF9C, -0.1, "A"),
    (0x8F, 0xFF9C, -100, "µs"), (0x90, 0xFF9C, -100, "ms"), (0x91, 0xFF9C, -10000, "ms"),
    (0x92, 0xFF9C, -10, "Nm"), (0x96, 0xFF9C, -10, "°C"), (0x97, 0xFF9C, -1, "°C"),
    (0x98, 0xFF9C, -100, "mg/stroke"), (0x99, 0xFF9C, -10, "kPa"), (0x9C, 0xFF9C, -1, "°"),
    (0x9D, 0xFF9C, -50, "°"), (0xA8, 0xFF9C, -100, "g/s"), (0xA9, 0xFF9C, -25, "Pa/s"),
    (0xAD, 0xFF9C, -1, "mg/stroke"), (0xAE, 0xFF9C, -10, "mg/stroke"), (0xAF, 0xFF9C, -1, "%"),
    (0xB0, 0xFF9C, -0.3052, "%"), (0xB1, 0xFF9C, -200, "mV/s"), (0xFB, 0xFF9C, -1000, "kPa"),
    (0xFC, 0xFF9C, -1, "kPa"), (0xFD, 0xFF9C, -0.1, "kPa"), (0xFE, 0xFF9C, -25, "Pa"),
]  # fmt: skip


@pytest.mark.parametrize(("number", "raw", "value", "unit"), WORKED)
def test_a_worked_value(number: int, raw: int, value: float, unit: str) -> None:
    found = scaling(number)
    assert found is not None
    assert found.unit == unit
    assert found.decode(raw) == pytest.approx(value, rel=1e-12, abs=1e-12)
    assert found.encode(value) == raw


def test_every_identifier_has_a_worked_value() -> None:
    assert {row[0] for row in WORKED} == set(all_scalings())


# Lowest and highest value of each identifier: raw 0000 and FFFF up to 7F, 8000 and 7FFF from 80.
RANGES = [
    (0x01, 0, 65535), (0x02, 0, 6553.5), (0x03, 0, 655.35), (0x04, 0, 65.535),
    (0x05, 0, 1.999969482421875), (0x06, 0, 19.988175), (0x07, 0, 16383.75), (0x08, 0, 655.35),
    (0x09, 0, 65535), (0x0A, 0, 7995.27), (0x0B, 0, 65.535), (0x0C, 0, 655.35),
    (0x0D, 0, 255.99609375), (0x0E, 0, 65.535), (0x0F, 0, 655.35), (0x10, 0, 65535),
    (0x11, 0, 6553500), (0x12, 0, 65535), (0x13, 0, 65535), (0x14, 0, 65535), (0x15, 0, 65535),
    (0x16, -40, 6513.5), (0x17, 0, 655.35), (0x18, 0, 766.7595), (0x19, 0, 5177.265),
    (0x1A, 0, 65535), (0x1B, 0, 655350), (0x1C, 0, 655.35), (0x1D, 0, 32767.5),
    (0x1E, 0, 1.999969482421875), (0x1F, 0, 3276.75), (0x20, 0, 255.99609375), (0x21, 0, 65535),
    (0x22, 0, 65535), (0x23, 0, 65535), (0x24, 0, 65535), (0x25, 0, 65535), (0x26, 0, 6553.5),
    (0x27, 0, 655.35), (0x28, 0, 65535), (0x29, 0, 16383.75), (0x2A, 0, 65.535), (0x2B, 0, 65535),
    (0x2C, 0, 655.35), (0x2D, 0, 655.35), (0x2E, 0, 65535), (0x2F, 0, 655.35),
    (0x30, 0, 100.00641), (0x31, 0, 65.535), (0x32, 0, 1.999969482421875),
    (0x33, 0, 15.999755859375), (0x34, 0, 65535), (0x35, 0, 655350), (0x36, 0, 655.35),
    (0x37, 0, 6553.5), (0x38, 0, 65535), (0x39, -327.68, 327.67), (0x3A, 0, 65.535),
    (0x3B, 0, 6.5535), (0x3C, 0, 6553.5), (0x3D, 0, 655.35), (0x3E, 0, 3.99993896484375),
    (0x3F, 0, 655.35), (0x40, 0, 65535), (0x41, 0, 655.35), (0x42, 0, 6553.5),
    (0x43, 0, 15.999755859375), (0x81, -32768, 32767), (0x82, -3276.8, 3276.7),
    (0x83, -327.68, 327.67), (0x84, -32.768, 32.767), (0x85, -1, 0.999969482421875),
    (0x86, -9.99424, 9.993935), (0x87, -32768, 32767), (0x8A, -3997.696, 3997.574),
    (0x8B, -32.768, 32.767), (0x8C, -327.68, 327.67), (0x8D, -128, 127.99609375),
    (0x8E, -32.768, 32.767), (0x8F, -32768, 32767), (0x90, -32768, 32767),
    (0x91, -3276800, 3276700), (0x92, -3276.8, 3276.7), (0x96, -3276.8, 3276.7),
    (0x97, -327.68, 327.67), (0x98, -32768, 32767), (0x99, -3276.8, 3276.7),
    (0x9C, -327.68, 327.67), (0x9D, -16384, 16383.5), (0xA8, -32768, 32767),
    (0xA9, -8192, 8191.75), (0xAD, -327.68, 327.67), (0xAE, -3276.8, 3276.7),
    (0xAF, -327.68, 327.67), (0xB0, -100.007936, 100.004884), (0xB1, -65536, 65534),
    (0xFB, -327680, 327670), (0xFC, -327.68, 327.67), (0xFD, -32.768, 32.767),
    (0xFE, -8192, 8191.75),
]  # fmt: skip


@pytest.mark.parametrize(("number", "low", "high"), RANGES)
def test_an_identifier_reaches_from_its_lowest_to_its_highest_value(
    number: int, low: float, high: float
) -> None:
    found = scaling(number)
    assert found is not None
    lowest, highest = (0x8000, 0x7FFF) if number >= 0x80 else (0x0000, 0xFFFF)
    assert found.signed is (number >= 0x80)
    assert found.decode(lowest) == pytest.approx(low, rel=1e-12)
    assert found.decode(highest) == pytest.approx(high, rel=1e-12)


def test_every_identifier_has_its_range() -> None:
    assert {row[0] for row in RANGES} == set(all_scalings())


def test_the_smallest_scale_keeps_its_digits() -> None:
    found = scaling(0x05)
    assert found is not None
    # 2/65536 exactly; printed as 0.0000305 in the published tables.
    assert found.decode(1) == 0.000030517578125


@pytest.mark.parametrize("number", [0x00, 0x44, 0x7F, 0x80, 0xFF])
def test_an_identifier_that_is_not_assigned_has_no_scaling(number: int) -> None:
    assert scaling(number) is None


@pytest.mark.parametrize(
    ("number", "raw", "value"),
    [  # SAE J1979, from memory: identifiers from 80 are two's complement, assigned or not
        (0x00, 0xFFFF, 65535), (0x44, 0x8000, 32768), (0x7F, 0xFFFF, 65535),
        (0x80, 0xFFFF, -1), (0x88, 0x8000, -32768), (0xFF, 0x7FFF, 32767),
    ],
)  # fmt: skip
def test_an_identifier_that_is_not_listed_gives_numbers_as_sent_and_says_so(
    number: int, raw: int, value: int
) -> None:
    found = scaling_or_raw(number)
    assert (found.decode(raw), found.unit, found.listed) == (value, "", False)
    assert "no public list" in found.checked


def test_a_listed_identifier_is_no_raw_one() -> None:
    assert scaling_or_raw(0x16) is scaling(0x16)
    with pytest.raises(ValueError, match="not the identifier"):
        scaling_or_raw(0x100)
