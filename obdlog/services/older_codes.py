"""Trouble codes of ISO 14230-3: services 18, 17, 13 and the erase 14.

References
----------
ISO 14230-3 (from memory); kinds of codes as Scapy's ``automotive.kwp`` layer numbers them.
"""

from __future__ import annotations

BY_STATUS, STATUS_OF, CODES, CLEAR = 0x18, 0x17, 0x13, 0x14

STORED_WITH_STATUS, STORED_TWO_BYTES = 0x00, 0x02
"""What service 18 is asked for: stored codes; the same with the codes' digits hexadecimal."""

ALL_GROUPS = 0xFF00
POWERTRAIN, CHASSIS, BODY, NETWORK = 0x0000, 0x4000, 0x8000, 0xC000
"""Groups of codes, by the letter that they begin with."""


def _group(group: int) -> bytes:
    if not 0 <= group <= 0xFFFF:
        raise ValueError(f"a group of codes must be within 0000 and FFFF, not {group}")
    return group.to_bytes(2, "big")


def build_older_codes(status: int = STORED_WITH_STATUS, group: int = ALL_GROUPS) -> bytes:
    """Return the request for codes with their status (18)."""
    if not 0 <= status <= 0xFF:
        raise ValueError(f"a kind of status must be within 00 and FF, not {status}")
    return bytes([BY_STATUS, status]) + _group(group)


def build_older_status(group: int = ALL_GROUPS) -> bytes:
    """Return the request for the status of one code, or of a group of them (17)."""
    return bytes([STATUS_OF]) + _group(group)


def build_older_plain(group: int = ALL_GROUPS) -> bytes:
    """Return the request for codes without their status (13)."""
    return bytes([CODES]) + _group(group)


def build_older_clear(group: int = ALL_GROUPS) -> bytes:
    """Return the request that erases a group of codes (14): see `registry.changes_vehicle`."""
    return bytes([CLEAR]) + _group(group)
