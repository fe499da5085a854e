"""Frozen records that travel between the layers.

Addresses are upper-case hexadecimal text: a CAN identifier of three digits (11 bit, ``7E8``) or
eight (29 bit, ``18DAF110``), or the two-digit source address of the older buses (``10``).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

FUNCTIONAL = "functional"
"""Target of a request that every emission-related ECU may answer."""

UNKNOWN_SOURCE = "unknown"
"""Source of a message that arrived without a header."""

SEARCH = "search"
"""Purpose of a request that only asks whether somebody is there."""

NEGATIVE_RESPONSE = 0x7F
RESPONSE_PENDING = 0x78
"""Code of a negative response that only asks for time (ISO 14229-1, ISO 14230-3)."""

Value = float | int | str | bool | None
"""A decoded value: number, text from a closed list, true/false, or None for "not available"."""


class Bus(StrEnum):
    """The two families whose payload layouts differ (SAE J1979 services 03, 06, 07, 09, 0A)."""

    CAN = "can"
    LEGACY = "legacy"


class Outcome(StrEnum):
    """How an exchange ended; the texts are those of the session file."""

    ANSWERED = "answered"
    NO_DATA = "no-data"
    TIMEOUT = "timeout"
    REFUSED = "refused"
    GARBLED = "garbled"
    LOST = "lost"


ERASED_LATER = "erased later in this recording and not read again"
"""Note of an exchange whose recorded answer does not hold any more."""

NOT_WHOLE = frozenset({Outcome.GARBLED, Outcome.TIMEOUT, Outcome.LOST})
"""After these, what the car would have said is not known."""


class Generation(StrEnum):
    """The two generations of legislated diagnostics: own services, or those of ISO 14229-1."""

    CLASSIC = "SAE J1979"
    ON_UDS = "SAE J1979-2"


@dataclass(frozen=True, slots=True)
class Request:
    """A diagnostic request: service byte and what follows, to one address or to all.

    Parameters
    ----------
    target
        ``functional``, or the address that one module listens to (``7E0``, ``18DA10F1``).
    reply_from
        The address that module answers from, where the standards do not tell (``7B8`` for
        ``7B0``). None: the one the standards give; for an address they say nothing of, whatever
        module answers.
    wait_s
        How long the module may be silent before that counts as its answer [s]; None for the
        road's usual time.
    timeout_s
        How long an adapter itself may be silent [s].
    """

    payload: bytes
    target: str = FUNCTIONAL
    purpose: str = ""
    timeout_s: float | None = None
    reply_from: str | None = None
    wait_s: float | None = None

    def __post_init__(self) -> None:
        if not self.payload:
            raise ValueError("a request needs at least its service byte")

    @property
    def service(self) -> int:
        """The service byte."""
        return self.payload[0]


@dataclass(frozen=True, slots=True)
class EcuMessage:
    """One reassembled message of one ECU; `after_s` is seconds after the request."""

    source: str
    payload: bytes
    after_s: float = 0.0

    @property
    def refused(self) -> bool:
        """Whether this is a negative response (7F service code)."""
        return self.payload[:1] == bytes([NEGATIVE_RESPONSE])

    @property
    def refusal_code(self) -> int | None:
        """The code of a negative response, None where this is none or bears no code."""
        return self.payload[2] if self.refused and len(self.payload) > 2 else None

    @property
    def is_pending(self) -> bool:
        """Whether this only promises an answer (7F service 78)."""
        return self.refusal_code == RESPONSE_PENDING


@dataclass(frozen=True, slots=True)
class WireChunk:
    """Raw text that crossed the link: `direction` is ``>`` (sent) or ``<`` (received)."""

    at_s: float
    direction: str
    raw: bytes


@dataclass(frozen=True, slots=True)
class Exchange:
    """A request and all that came of it; `at_s` is the clock when it was sent [s].

    `damaged` says that something of the answers was dropped on the way, beside `messages`.
    """

    at_s: float
    request: Request
    messages: tuple[EcuMessage, ...] = ()
    outcome: Outcome = Outcome.ANSWERED
    wire: tuple[WireChunk, ...] = field(default=(), compare=False)
    note: str = field(default="", compare=False)
    damaged: bool = field(default=False, compare=False)

    def positive(self) -> tuple[EcuMessage, ...]:
        """Return the messages that answer this request's service positively."""
        wanted = self.request.service + 0x40
        return tuple(m for m in self.messages if m.payload[:1] == bytes([wanted]))

    def refusals(self) -> tuple[EcuMessage, ...]:
        """Return the negative responses to this request's service."""
        wanted = bytes([NEGATIVE_RESPONSE, self.request.service])
        return tuple(m for m in self.messages if m.payload[:2] == wanted)


@dataclass(frozen=True, slots=True)
class Work:
    """What was unplugged and what was replaced, in the person's own words."""

    unplugged: tuple[str, ...] = ()
    replaced: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        """Return whether any work is known."""
        return bool(self.unplugged or self.replaced)

    @classmethod
    def merged(cls, works: Iterable[Work]) -> Work:
        """Return all that was done, each item once, in the order given."""
        works = tuple(works)
        return cls(
            tuple(dict.fromkeys(item for work in works for item in work.unplugged)),
            tuple(dict.fromkeys(item for work in works for item in work.replaced)),
        )


NO_WORK = Work()


@dataclass(frozen=True, slots=True)
class Reading:
    """One decoded value of one signal; `unit` is from `obdlog.units`, `pid` two hex digits."""

    signal: str
    label: str
    value: Value
    unit: str
    pid: str
