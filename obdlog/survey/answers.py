"""Who answered what: the last answers by module and request, languages, refusals."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from obdlog.addresses import LEGISLATED_RESPONSES, on_older_bus
from obdlog.model import FUNCTIONAL, SEARCH, UNKNOWN_SOURCE, Bus, EcuMessage, Exchange, Outcome
from obdlog.modules import Language, usual_request
from obdlog.services import refusals
from obdlog.services.obd_on_uds import classic_exchange
from obdlog.services.registry import ERASE_SERVICES

CODE_SERVICES = {0x03: "confirmed", 0x07: "pending", 0x0A: "permanent"}
"""Service → the status that a code read with it has (SAE J1979)."""

_LANGUAGES = (
    (0x59, Language.ISO_14229),
    (0x58, Language.ISO_14230),
    (0x57, Language.ISO_14230),
    (0x53, Language.ISO_14230),
    (0x5A, Language.ISO_14230),
    (0x62, Language.ISO_14229),
)
"""Replies that only one language has, the surest first (service 22 exists in both)."""

_CURRENT_DATA = 0x01


def classic(exchanges: Iterable[Exchange]) -> list[Exchange]:
    """Return the exchanges with those of SAE J1979-2 as the ones of SAE J1979."""
    return [classic_exchange(exchange) for exchange in exchanges]


@dataclass(slots=True)
class Answers:
    """Positive answers by module, later ones replacing earlier ones of the same request."""

    by_request: dict[tuple[str, bytes], list[bytes]] = field(default_factory=dict)

    def of(self, address: str, request: bytes) -> list[bytes]:
        """Return the last answers of a module to `request`."""
        return self.by_request.get((address, request), [])

    def by_service(self, address: str, service: int) -> list[tuple[bytes, bytes]]:
        """Return (request, answer) of a module and service, in the order they were last asked."""
        return [
            (request, payload)
            for (source, request), payloads in self.by_request.items()
            if source == address and request[0] == service
            for payload in payloads
        ]


def last_answers(exchanges: Iterable[Exchange]) -> Answers:
    """Return the positive answers in `exchanges`."""
    answers = Answers()
    for exchange in exchanges:
        latest: dict[str, list[bytes]] = {}
        for message in exchange.positive():
            latest.setdefault(message.source, []).append(message.payload)
        for source, payloads in latest.items():
            key = (source, exchange.request.payload)
            answers.by_request.pop(key, None)  # so that the order is that of the last asking
            answers.by_request[key] = payloads
    return answers


def addresses(exchanges: Iterable[Exchange]) -> tuple[str, ...]:
    """Return every address that answered anything, in address order."""
    return tuple(sorted({m.source for e in exchanges for m in e.messages}))


def answered(exchanges: Iterable[Exchange]) -> bool:
    """Return whether any exchange was answered at all."""
    return any(e.outcome in (Outcome.ANSWERED, Outcome.REFUSED) for e in exchanges)


def legislated(exchanges: Iterable[Exchange]) -> frozenset[str]:
    """Return the addresses that answered anything that was asked of all modules."""
    return frozenset(
        m.source for e in exchanges if e.request.target == FUNCTIONAL for m in e.messages
    )


def asked_of(exchanges: Sequence[Exchange], address: str, *, hears_all: bool) -> list[Exchange]:
    """Return the exchanges whose request reached the module at `address`.

    What is asked of all reaches it where it once answered that (`hears_all`), or where its
    address says that it must (ISO 15765-4, the older buses). Whoever was heard in a search only
    is not known to listen where that was sent.
    """
    hears = hears_all or address in LEGISLATED_RESPONSES or address == UNKNOWN_SOURCE
    hears = hears or on_older_bus(address)
    alone = (e.request for e in exchanges if _meant(e, address))
    own = {request.target for request in alone if request.purpose != SEARCH} - {FUNCTIONAL}
    return [
        e
        for e in exchanges
        if (hears if e.request.target == FUNCTIONAL else e.request.target in own)
    ]


def last_erases(exchanges: Sequence[Exchange]) -> dict[str, int]:
    """Return per module the place of the last erase that it accepted."""
    return {
        m.source: place
        for place, e in enumerate(exchanges)
        if e.request.service in ERASE_SERVICES
        for m in e.positive()
    }


def without_polls(exchanges: Iterable[Exchange]) -> list[Exchange]:
    """Return the exchanges but those of current data, which a road test is full of."""
    return [e for e in exchanges if e.request.service != _CURRENT_DATA]


def _meant(exchange: Exchange, address: str) -> bool:
    if exchange.request.reply_from is not None:
        return exchange.request.reply_from == address
    return any(m.source == address for m in exchange.messages)


def request_of(exchanges: Iterable[Exchange], address: str) -> str | None:
    """Return the address that a module was asked at; the usual one where it was never alone."""
    own = [e.request.target for e in exchanges if _meant(e, address)]
    alone = [target for target in own if target != FUNCTIONAL]
    if alone:
        return alone[-1]
    try:
        return usual_request(address)
    except ValueError:  # no address at all, in a damaged session
        return None


_SESSION_REFUSALS = frozenset({0x7E, 0x7F})
"""Sub-function or service not supported in the active session (ISO 14229-1)."""


def language_of(exchanges: Iterable[Exchange], address: str) -> Language | None:
    """Return the language that a module answered in, None where it answered in neither.

    Only ISO 14229-1 has refusals that name the session: whoever gives one speaks it.
    """
    exchanges = tuple(exchanges)
    spoken = {m.payload[0] for e in exchanges for m in e.positive() if m.source == address}
    found = next((language for reply, language in _LANGUAGES if reply in spoken), None)
    if found is None and any(
        m.source == address and m.refusal_code in _SESSION_REFUSALS
        for e in exchanges
        for m in e.refusals()
    ):
        return Language.ISO_14229
    return found


def refusal_meaning(message: EcuMessage, bus: Bus, language: Language | None = None) -> str:
    """Return why a module refused, in words, however short its negative response is.

    Where the module's `language` is not known, that of the refused service or the bus counts.
    """
    code = message.refusal_code
    if code is None:
        return "refused without saying why"
    spoken = language or refusals.language_of(message.payload[1:2], bus)
    return refusals.meaning(code, bus, spoken)
