"""Checksums against published values."""

from __future__ import annotations

import pytest

from obdlog.framing.crc import crc8_j1850, sum8


def test_crc_8_sae_j1850_check_value() -> None:
    # "Catalogue of parametrised CRC algorithms", CRC-8/SAE-J1850: check 0x4B, residue 0xC4.
    assert crc8_j1850(b"123456789") == 0x4B


def test_crc_8_sae_j1850_residue() -> None:
    # Same catalogue: the register of a message with its CRC, before the final XOR, is C4.
    message = b"123456789" + bytes([0x4B])
    assert crc8_j1850(message) ^ 0xFF == 0xC4


@pytest.mark.parametrize(
    ("message", "crc"),
    [
        # Messages widely printed for J1850 VPW (common practice, from memory).
        ("686AF10100", 0x17),
        ("486B104100BE3EB811", 0xFA),
    ],
)
def test_crc_of_known_messages(message: str, crc: int) -> None:
    assert crc8_j1850(bytes.fromhex(message)) == crc


@pytest.mark.parametrize(
    ("message", "checksum"),
    [
        # ISO 14230-2: start communication request and its answer (from memory).
        ("8110F181", 0x03),
        ("83F110C1EF8F", 0xC3),
        # ISO 9141-2 and ISO 14230-4: request for PID 00 (common practice, from memory).
        ("686AF10100", 0xC4),
        ("C233F10100", 0xE7),
    ],
)
def test_sum_of_known_messages(message: str, checksum: int) -> None:
    assert sum8(bytes.fromhex(message)) == checksum
