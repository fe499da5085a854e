"""Diagnostic sessions and the sign of life that keeps one (services 10 and 3E).

The programming session (10 02, 10 85) has no builder here: it is never asked for.

References
----------
ISO 14229-1 and ISO 14230-3, services 10 and 3E.
"""

from __future__ import annotations

from obdlog.modules import Language

SESSION, PRESENT = 0x10, 0x3E
SESSION_REPLY, PRESENT_REPLY = 0x50, 0x7E

DEFAULT, EXTENDED = 0x01, 0x03
OLDER_DEFAULT, OLDER_EXTENDED = 0x81, 0x92
"""Sessions of ISO 14229-1 and of ISO 14230-3."""

SESSION_NAMES = {
    DEFAULT: "default",
    0x02: "programming",
    EXTENDED: "extended",
    0x04: "safety system",
    OLDER_DEFAULT: "default",
    0x85: "programming",
    OLDER_EXTENDED: "extended",
}


def build_tester_present(language: Language = Language.ISO_14229) -> bytes:
    """Return the request that says no more than that somebody is there: 3E 00 (older: 3E 01)."""
    return bytes([PRESENT, 0x01 if language is Language.ISO_14230 else 0x00])


def build_default_session(language: Language = Language.ISO_14229) -> bytes:
    """Return the request for the default session, which every module is in anyhow."""
    older = language is Language.ISO_14230
    return bytes([SESSION, OLDER_DEFAULT if older else DEFAULT])


def build_extended_session(language: Language = Language.ISO_14229) -> bytes:
    """Return the request for the extended session, which counts as changing the vehicle."""
    older = language is Language.ISO_14230
    return bytes([SESSION, OLDER_EXTENDED if older else EXTENDED])
