"""The two checksums of the older buses."""

from __future__ import annotations

_POLYNOMIAL = 0x1D


def _table() -> bytes:
    rows = bytearray()
    for value in range(256):
        for _ in range(8):
            value = (value << 1) ^ (_POLYNOMIAL if value & 0x80 else 0)
            value &= 0xFF
        rows.append(value)
    return bytes(rows)


_TABLE = _table()


def crc8_j1850(data: bytes) -> int:
    """Return the CRC-8 of `data` as SAE J1850 forms it.

    Polynomial 1D, initial value FF, final exclusive-or FF, most significant bit first.

    References
    ----------
    SAE J1850; parameters and check value as CRC-8/SAE-J1850 in the "Catalogue of parametrised
    CRC algorithms".
    """
    value = 0xFF
    for byte in data:
        value = _TABLE[value ^ byte]
    return value ^ 0xFF


def sum8(data: bytes) -> int:
    """Return the sum of the bytes of `data` modulo 256.

    References
    ----------
    ISO 9141-2, ISO 14230-2: checksum of a message.
    """
    return sum(data) & 0xFF
