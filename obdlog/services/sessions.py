"""Diagnostic sessions and the sign of life that keeps one (services 10 and 3E).

The programming session (10 02, 10 85) has no builder here: it is never asked for.

References
----------
ISO 14229-1 and ISO 14230-3, services 10 and 3E.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.modules import Language
from obdlog.services.layout import check_reply

SESSION, PRESENT = 0x10, 0x3E
SESSION_REPLY, PRESENT_REPLY = 0x50, 0x7E

DEFAULT, EXTENDED = 0x01, 0x03
OLDER_DEFAULT, OLDER_EXTENDED = 0x81, 0x92
"""Sessions of ISO 14229-1 and of ISO 14230-3."""

_WITH_TIMES = 6
_PENDING_STEP_MS = 10

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


@dataclass(frozen=True, slots=True)
class Session:
    """A session that a module confirmed; times are None where the reply does not give them.

    Attributes
    ----------
    answer_within_ms
        How long the module may take to answer [ms].
    pending_within_ms
        How long it may take after it said that the answer is pending [ms].
    """

    number: int
    answer_within_ms: int | None = None
    pending_within_ms: int | None = None

    @property
    def name(self) -> str:
        """The session in words."""
        return SESSION_NAMES.get(self.number, "the maker's own")


def parse_session(payload: bytes) -> Session:
    """Return the session that a reply of service 10 confirms.

    Raises
    ------
    DecodeError
        Not such a reply, or cut short.

    References
    ----------
    ISO 14229-1, service 10: two times of two bytes, steps of 1 ms and 10 ms.
    """
    check_reply(payload, SESSION_REPLY, least=2)
    if len(payload) < _WITH_TIMES:
        return Session(payload[1])
    return Session(
        payload[1],
        int.from_bytes(payload[2:4], "big"),
        int.from_bytes(payload[4:6], "big") * _PENDING_STEP_MS,
    )
