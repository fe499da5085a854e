"""Codes and their bytes, and the bits of a status byte, as the far side sees them."""

from __future__ import annotations

_LETTERS = "PCBU"

FAILED, FAILED_CYCLE, PENDING, CONFIRMED = 0x01, 0x02, 0x04, 0x08
UNTESTED, FAILED_SINCE, UNTESTED_CYCLE, LAMP = 0x10, 0x20, 0x40, 0x80
"""Bits of a status byte (ISO 14229-1)."""

OLDER_UNTESTED, OLDER_STORED, OLDER_THERE = 0x10, 0x20, 0x40
"""Bits of a status byte (ISO 14230-3, from memory): stored alone is history, both is present."""


def code_bytes(text: str) -> bytes:
    """Return the two bytes of a code such as ``P0102``."""
    number = _LETTERS.index(text[0]) << 14 | int(text[1]) << 12 | int(text[-3:], 16)
    return number.to_bytes(2, "big")
