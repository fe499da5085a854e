"""Requests of ISO 14229-1 service 19, which reports trouble codes, and 14, which erases them.

References
----------
ISO 14229-1, services 19 and 14; SAE J1979-2, reports 42, 55 and 56 and group FFFF33.
"""

from __future__ import annotations

from obdlog.tables.code_text import code_number

SERVICE, CLEAR = 0x19, 0x14

COUNT, CODES, SNAPSHOTS, EXTENDED, SUPPORTED = 0x01, 0x02, 0x04, 0x06, 0x0A
EXTENDED_LISTS = 0x1A
FUNCTIONAL, PERMANENT, READINESS = 0x42, 0x55, 0x56
"""Kinds of report, the second byte of service 19."""

ANY_FAULT = 0xAF
"""Status mask of all that a code can have done; without the two "not tested" bits (10, 40)."""

ANY_STATUS = 0xFF
CONFIRMED_MASK, PENDING_MASK = 0x08, 0x04

ALL_RECORDS = 0xFF
ANY_SEVERITY = 0x1E
"""Severity classes that count for emissions (SAE J1979-2)."""

EMISSIONS = 0x33
"""Functional group of all emission-related systems."""

ALL_CODES = b"\xff\xff\xff"
EMISSIONS_GROUP = b"\xff\xff\x33"
"""Groups of codes of service 14: everything the module holds, and emission-related codes."""


def _byte(value: int, name: str) -> int:
    if not 0 <= value <= 0xFF:
        raise ValueError(f"{name} must be within 00 and FF, not {value}")
    return value


def _code(code3: bytes) -> bytes:
    if len(code3) != 3:
        raise ValueError(f"a code of ISO 14229-1 has 3 bytes, not {len(code3)}")
    return bytes(code3)


def code3(text: str, failure_type: str | None = None) -> bytes:
    """Return the three bytes of a code: ``P0562`` with failure type ``16`` is 05 62 16.

    Raises
    ------
    ValueError
        Not a code, or not two hexadecimal digits.
    """
    last = int(failure_type, 16) if failure_type else 0
    return code_number(text).to_bytes(2, "big") + bytes([_byte(last, "a failure type")])


def build_report_count(mask: int = ANY_FAULT) -> bytes:
    """Return the request for the number of codes whose status has any bit of `mask` (19 01)."""
    return bytes([SERVICE, COUNT, _byte(mask, "a status mask")])


def build_report_codes(mask: int = ANY_FAULT) -> bytes:
    """Return the request for the codes whose status has any bit of `mask` (19 02)."""
    return bytes([SERVICE, CODES, _byte(mask, "a status mask")])


def build_report_snapshots(code: bytes, record: int = ALL_RECORDS) -> bytes:
    """Return the request for what was stored with a code of three bytes (19 04)."""
    return bytes([SERVICE, SNAPSHOTS, *_code(code), _byte(record, "a record number")])


def build_report_extended(code: bytes, record: int = ALL_RECORDS) -> bytes:
    """Return the request for the counters and marks of a code of three bytes (19 06)."""
    return bytes([SERVICE, EXTENDED, *_code(code), _byte(record, "a record number")])


def build_report_supported() -> bytes:
    """Return the request for every code that a module could set, with its status (19 0A)."""
    return bytes([SERVICE, SUPPORTED])


def build_functional_report(
    mask: int, severity: int = ANY_SEVERITY, group: int = EMISSIONS
) -> bytes:
    """Return the request for codes of a functional group (19 42): status mask, then severity."""
    return bytes(
        [
            SERVICE,
            FUNCTIONAL,
            _byte(group, "a functional group"),
            _byte(mask, "a status mask"),
            _byte(severity, "a severity mask"),
        ]
    )


def build_permanent_report(group: int = EMISSIONS) -> bytes:
    """Return the request for the permanent codes of a functional group (19 55)."""
    return bytes([SERVICE, PERMANENT, _byte(group, "a functional group")])


def build_readiness_report(group: int = EMISSIONS, readiness_group: int = 0) -> bytes:
    """Return the request for the codes of one readiness group (19 56).

    What the groups stand for is not public.
    """
    return bytes(
        [
            SERVICE,
            READINESS,
            _byte(group, "a functional group"),
            _byte(readiness_group, "a readiness group"),
        ]
    )


def build_clear_group(group: bytes = ALL_CODES) -> bytes:
    """Return the request that erases a group of codes (14): see `registry.changes_vehicle`."""
    return bytes([CLEAR]) + _code(group)
