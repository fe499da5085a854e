"""Frames of every bus, against worked values of the standards."""

from __future__ import annotations

import pytest

from obdlog.simulator.buses import BUSES
from obdlog.simulator.frames import (
    build_can_frames,
    build_legacy_frame,
    crc8_j1850,
    sum8,
)


def test_crc_has_the_catalogued_check_value() -> None:
    # CRC-8/SAE-J1850 in the CRC RevEng catalogue: check value of "123456789" is 4B.
    assert crc8_j1850(b"123456789") == 0x4B


def test_sum_of_a_printed_request() -> None:
    # ISO 14230-4: C2 33 F1 01 00 has the checksum E7 (sum modulo 256, worked by hand).
    assert sum8(bytes.fromhex("C233F10100")) == 0xE7


@pytest.mark.parametrize(
    ("payload", "frames"),
    [
        # ISO 15765-2 single frame: length in the low nibble, padding behind.
        ("4100BE3EB811", ["064100BE3EB81100"]),
        ("44", ["0144000000000000"]),
        ("41010203040506", ["0741010203040506"]),
        # First frame 10 LL with six bytes, consecutive frames from 21.
        ("4101020304050607", ["1008410102030405", "2106070000000000"]),
        (
            "490201" + "41" * 17,
            ["1014490201414141", "2141414141414141", "2241414141414141"],
        ),
    ],
)
def test_segmentation(payload: str, frames: list[str]) -> None:
    built = build_can_frames(0x7E8, bytes.fromhex(payload))
    assert [f.data.hex().upper() for f in built] == [f.upper() for f in frames]


def test_sequence_number_wraps_to_zero() -> None:
    # ISO 15765-2: after 2F comes 20.
    built = build_can_frames(0x7E8, bytes(6 + 7 * 17))
    assert [f.data[0] for f in built[14:18]] == [0x2E, 0x2F, 0x20, 0x21]


@pytest.mark.parametrize(
    ("bus", "header", "check"),
    [
        # SAE J1850: 41 6B (PWM) and 48 6B (VPW) from node 10; ISO 9141-2 as VPW, summed.
        ("j1850-pwm", "416B10", None),
        ("j1850-vpw", "486B10", None),
        ("iso9141-2", "486B10", (0x48 + 0x6B + 0x10 + 0x41 + 0x0D + 0x00) % 256),
        # ISO 14230-2: format byte 80 + length, target F1, source.
        ("kwp-fast", "83F110", (0x83 + 0xF1 + 0x10 + 0x41 + 0x0D + 0x00) % 256),
    ],
)
def test_legacy_headers(bus: str, header: str, check: int | None) -> None:
    frame = build_legacy_frame(BUSES[bus], "10", bytes.fromhex("410D00"))
    assert frame.header.hex().upper() == header
    if check is None:
        # A message with its CRC behind leaves the constant residue C4 (before the final XOR: 3B).
        whole = frame.header + frame.data + frame.check
        assert crc8_j1850(whole) == 0x3B
    else:
        assert frame.check == bytes([check])
