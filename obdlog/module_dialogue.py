"""The talk with one module: for its codes, what is stored beside them, and who it is.

Nothing here changes the vehicle. The one exception has a function of its own: the extended session,
asked for only where a module refuses without it and the user allowed it, and left again at once.

References
----------
ISO 14229-1, services 19, 22, 10 and 3E; ISO 14230-3, services 18, 17, 13 and 1A.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Sequence

from obdlog import survey
from obdlog.client import Client
from obdlog.model import SEARCH, Exchange, Outcome, Request
from obdlog.modules import Language, Module
from obdlog.services import identification, older_codes, sessions, trouble_reports
from obdlog.services.refusals import (
    NOT_SUPPORTED,
    OTHER_SESSION,
    OUT_OF_RANGE,
    SERVICE_NOT_SUPPORTED,
)
from obdlog.services.registry import MODULE_CODE_SERVICES

CODES, IDENTIFY, SESSION = "codes", "identify", "session"
"""Purposes of the exchanges, as the session file names them."""

MOST_DETAILED = 32
"""Of so many codes of one module the stored data are asked for."""
MOST_SILENCES = 3
"""After so many unanswered requests in a row a module is left alone."""
KEEP_ALIVE_S = 3.0
"""A module leaves its session 5 s after the last request (ISO 14229-2, S3server)."""
MOST_RECORDED = 500

EXTENDED = sessions.build_extended_session()
DEFAULT = sessions.build_default_session()
_READING = MODULE_CODE_SERVICES | {
    identification.BY_IDENTIFIER,
    identification.OLDER_IDENTIFICATION,
}


class Dialogue:
    """The talk with one module."""

    def __init__(self, client: Client, module: Module, *, extended: bool) -> None:
        self._client = client
        self._clock = client.transport.clock
        self._module = module
        self._extended = extended
        self._silences = 0
        self._refused: list[Callable[[], object]] = []
        self._in_session = False
        self._last_s = 0.0
        self.language = module.language

    def play(self, recorded: Sequence[Exchange]) -> None:
        """Ask what a recording asked this module, in its order: it has no other answers."""
        own = [
            e
            for e in recorded
            if e.request.target == self._module.request and e.request.purpose != SEARCH
        ]
        for exchange in own[:MOST_RECORDED]:
            if exchange.request.service in _READING:
                self._ask(exchange.request.payload, exchange.request.purpose or CODES)
            elif exchange.request.payload in (EXTENDED, DEFAULT):
                # Not asked of a recording, and part of what happened.
                self._client.exchanges.append(exchange)
        self.language = self.language or survey.language_of(
            self._client.exchanges, self._module.response
        )

    def read(self, *, codes: bool, identity: bool) -> None:
        """Ask for codes and identity; what needs the extended session again in it, if allowed."""
        if codes:
            self.read_codes()
        if identity:
            self.read_identity()
        if self._refused and self._extended and not self.gone:
            with self.extended_session() as opened:
                for again in self._refused if opened else ():
                    again()

    def read_codes(self) -> None:
        """Ask for the codes in the language that the module speaks, and for what is beside them."""
        order = [Language.ISO_14229, Language.ISO_14230]
        if self._module.language is Language.ISO_14230:
            order.reverse()
        for language in order:
            if self.gone:
                return
            listed = (
                self.list_codes() if language is Language.ISO_14229 else self._list_older_codes()
            )
            if listed:
                self.language = language
                return

    def read_identity(self) -> None:
        """Ask who the module is, item by item, as far as it answers."""
        languages = [self.language] if self.language else list(Language)
        for language in languages:
            if self.gone:
                return
            if self._identify(identification.identification_requests(language)):
                self.language = language
                return

    @property
    def gone(self) -> bool:
        """Whether the module has stopped answering."""
        return self._silences >= MOST_SILENCES

    def list_codes(self) -> bool:
        """Ask the reports of service 19; return whether the module speaks them."""
        exchange = self._ask(trouble_reports.build_report_codes())
        if not exchange.messages and not self.gone:  # an answer may get lost once
            exchange = self._ask(trouble_reports.build_report_codes())
        if self._positive(exchange):
            self._details(exchange)
            return True
        code = self._refusal(exchange)
        if code in OTHER_SESSION:
            self._refused.append(self._list_in_session)
            return True
        if code in (None, SERVICE_NOT_SUPPORTED):
            return False
        # Whoever gives another reason knows the service; perhaps not this mask.
        exchange = self._ask(trouble_reports.build_report_codes(trouble_reports.ANY_STATUS))
        if self._positive(exchange):
            self._details(exchange)
            return True
        return self._refusal(exchange) not in (None, *NOT_SUPPORTED)

    def _list_in_session(self) -> None:
        exchange = self._ask(trouble_reports.build_report_codes())
        if not self._positive(exchange) and self._refusal(exchange) is not None:
            exchange = self._ask(trouble_reports.build_report_codes(trouble_reports.ANY_STATUS))
        if self._positive(exchange):
            self._details(exchange)

    def _details(self, listed: Exchange) -> None:
        """Ask how many codes there are, and what is stored beside each."""
        self._ask(trouble_reports.build_report_count())
        wanted = _codes_in(self._positive(listed))[:MOST_DETAILED]
        self._stored(trouble_reports.build_report_extended, wanted)
        self._stored(trouble_reports.build_report_snapshots, wanted)
        # The longest answer, and the one that tells least: which codes it has not tested.
        self._ask(trouble_reports.build_report_supported())

    def _stored(self, build: Callable[[bytes], bytes], wanted: Sequence[bytes]) -> None:
        """Ask what is stored beside the codes that are `wanted`, by one kind of report."""
        for code in wanted:
            if self.gone:
                return
            refusal = self._refusal(self._ask(build(code)))
            if refusal in OTHER_SESSION and not self._in_session:
                self._refused.append(lambda: self._stored(build, wanted))
            # A code without such data is out of range; any other refusal goes for all codes.
            if refusal not in (None, OUT_OF_RANGE):
                return

    def _list_older_codes(self) -> bool:
        """Ask services 18, 17 and 13 in turn; return whether the module speaks one of them."""
        for payload in (
            older_codes.build_older_codes(),
            older_codes.build_older_codes(older_codes.STORED_TWO_BYTES),
            older_codes.build_older_status(),
            older_codes.build_older_plain(),
        ):
            if self.gone:
                return False
            if self._positive(self._ask(payload)):
                return True
        return False

    def _identify(self, requests: Sequence[bytes]) -> bool:
        """Ask item by item; return whether the module told anything."""
        answered = False
        later: list[bytes] = []
        for payload in requests:
            if self.gone or (len(later) > 1 and not answered):
                break
            exchange = self._ask(payload, IDENTIFY)
            answered = answered or bool(self._positive(exchange))
            code = self._refusal(exchange)
            if code in OTHER_SESSION:
                later.append(payload)
            if code == SERVICE_NOT_SUPPORTED:
                break
        if later and not self._in_session:
            again = later if answered else requests
            self._refused.append(lambda: self._identify(again))
        return answered

    def _ask(self, payload: bytes, purpose: str = CODES) -> Exchange:
        """Ask the module one thing that changes nothing."""
        self._keep_alive()
        module = self._module
        try:
            exchange = self._client.ask(
                payload, purpose=purpose, target=module.request, reply_from=module.response
            )
        except ValueError as error:  # an address that this road does not carry
            request = Request(payload, module.request, purpose, reply_from=module.response)
            exchange = Exchange(self._clock.now_s(), request, (), Outcome.NO_DATA, note=str(error))
            self._client.exchanges.append(exchange)
            self._silences = MOST_SILENCES
            return exchange
        self._last_s = self._clock.now_s()
        heard = any(m.source == self._module.response for m in exchange.messages)
        lost = exchange.outcome in (Outcome.TIMEOUT, Outcome.NO_DATA)
        self._silences = self._silences + 1 if lost or not heard else 0
        return exchange

    def _positive(self, exchange: Exchange) -> tuple[bytes, ...]:
        return tuple(m.payload for m in exchange.positive() if m.source == self._module.response)

    def _refusal(self, exchange: Exchange) -> int | None:
        """Return why the module refused, None where it did not."""
        if self._positive(exchange):
            return None
        codes = (m.refusal_code for m in exchange.refusals() if m.source == self._module.response)
        return next((code for code in codes if code is not None), None)

    @contextlib.contextmanager
    def extended_session(self) -> Iterator[bool]:
        """Open the extended session, yield whether the module is in it, and leave it again."""
        opened = False
        try:
            opened = bool(self._positive(self._open_extended_session()))
            self._in_session = opened
            yield opened
        finally:
            self._in_session = False
            # Also where the answer was lost: the module may be in the session all the same.
            self._ask(DEFAULT, SESSION)

    def _open_extended_session(self) -> Exchange:
        """Send 10 03, the one request here that is not a plain reading, once."""
        exchange = self._client.transport.exchange(
            Request(EXTENDED, self._module.request, SESSION, reply_from=self._module.response)
        )
        self._client.exchanges.append(exchange)
        self._last_s = self._clock.now_s()
        return exchange

    def _keep_alive(self) -> None:
        idle_s = self._clock.now_s() - self._last_s
        if self._in_session and idle_s > KEEP_ALIVE_S:
            self._last_s = self._clock.now_s()
            self._ask(sessions.build_tester_present(), SESSION)


def _codes_in(replies: Iterable[bytes]) -> list[bytes]:
    """Return the codes (three bytes each) in replies to 19 02 [ISO 14229-1]."""
    codes = (
        reply[at : at + 3]
        for reply in replies
        if reply[1:2] == bytes([trouble_reports.CODES])
        for at in range(3, len(reply) - 3, 4)
    )
    return list(dict.fromkeys(code for code in codes if any(code)))
