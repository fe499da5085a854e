"""Encoders of the older buses, written from the standards and apart from the product."""

from __future__ import annotations

from collections.abc import Callable

import pytest


def crc8(data: bytes) -> int:
    """SAE J1850's CRC, bit by bit."""
    register = 0xFF
    for byte in data:
        for bit in range(7, -1, -1):
            feedback = (register >> 7) ^ (byte >> bit & 1)
            register = (register << 1) & 0xFF
            if feedback:
                register ^= 0x1D
    return register ^ 0xFF


def encode(protocol: str, source: int, payload: bytes) -> bytes:
    """One message as it stands on the bus of the protocol with this number."""
    if protocol == "1":
        body = bytes([0x41, 0x6B, source]) + payload
    elif protocol in {"2", "3"}:
        body = bytes([0x48, 0x6B, source]) + payload
    else:
        body = bytes([0x80 | len(payload), 0xF1, source]) + payload
    check = crc8(body) if protocol in {"1", "2"} else sum(body) % 256
    return body + bytes([check])


@pytest.fixture
def bus_message() -> Callable[[str, int, bytes], bytes]:
    return encode


@pytest.fixture
def bitwise_crc() -> Callable[[bytes], int]:
    return crc8
