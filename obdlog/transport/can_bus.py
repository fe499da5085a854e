"""A CAN bus spoken to directly: python-can for the frames, can-isotp for the messages.

References
----------
ISO 15765-4 (identifiers, initialisation, times).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.clock import Clock, SystemClock
from obdlog.errors import LinkClosedError, NoAnswerError, ObdlogError
from obdlog.links.url import LinkUrl
from obdlog.model import EcuMessage, Exchange, Generation, Outcome, Request
from obdlog.services.registry import changes_vehicle
from obdlog.transport.base import BusProtocol
from obdlog.transport.can_open import (
    BIT_RATES,
    CanPlace,
    Listened,
    can_place,
    listen,
    open_bus,
)
from obdlog.transport.can_talk import ERRORS_BEFORE_LEAVING, LONGEST_S, CanTalk, Heard
from obdlog.transport.can_wire import CanWire, NotTakenError
from obdlog.transport.judge import BUSY, without_superseded

BUSY_TRIES, BUSY_WAIT_S = 3, 0.2
REPAIR_TRIES = 2
CONNECT_ROUNDS = 2
ERRORS_AT_CONNECT, ERRORS_WHEN_CAREFUL = 4, 1
"""So many error frames and no answer mean a wrong bit rate, and the bus is left; the smaller number
where nothing was heard before sending."""

SUPPORTED_PIDS = bytes.fromhex("0100")
QUESTIONS = (SUPPORTED_PIDS, bytes.fromhex("22F400"), bytes.fromhex("22F810"))
"""The first is of SAE J1979, the others tell a car after SAE J1979-2 (from memory)."""


_IGNITION = (
    "Switch the ignition on (engine may be off); check the plug and, where you stated it, the bit "
    "rate."
)


class CanTransport:
    """Moves diagnostic messages over a CAN interface.

    Parameters
    ----------
    url
        ``can://INTERFACE/CHANNEL``, see `can_place`.
    clock
        The clock to live in; python-can waits in real time.

    Raises
    ------
    LinkOpenError
        The URL is malformed.
    """

    kind = "can"

    def __init__(self, url: LinkUrl, *, clock: Clock | None = None) -> None:
        self._place: CanPlace = can_place(url)
        self.url = url.text
        self.clock: Clock = clock or SystemClock()
        self.identity = self._place.title
        self.protocol: BusProtocol | None = None
        self.generation = Generation.CLASSIC
        self._talk: CanTalk | None = None

    def connect(self) -> BusProtocol:
        """Open the bus and find bit rate, identifier width and generation.

        Raises
        ------
        LinkError
            The interface cannot be opened, or is lost.
        NoAnswerError
            No module answers, nobody acknowledges, or errors show a wrong bit rate.
        """
        self.close()
        self.protocol = None
        why: ObdlogError | None = None
        for bit_rate, listened in self._rates():
            try:
                found = self._try(bit_rate, careful=listened is Listened.SILENCE)
            except NoAnswerError as error:
                if not self._place.searches:
                    raise
                why = error
                continue
            if found:
                return found
        if why is None:
            why = NoAnswerError("no module answers on the CAN bus", hint=_IGNITION)
        raise why

    def _rates(self) -> Sequence[tuple[int | None, Listened | None]]:
        """Return the bit rates worth sending at, after listening where the rate is not known.

        Raises
        ------
        NoAnswerError
            There is traffic, and it has neither of the two bit rates.
        """
        if not self._place.searches:
            return [(rate, None) for rate in self._place.rates]
        heard = [(rate, listen(self._place, rate, self.clock)) for rate in BIT_RATES]
        # A silent bus tells nothing: both rates are tried, the first error ends a trial.
        for wanted in (Listened.FRAMES, Listened.SILENCE):
            if right := [(rate, what) for rate, what in heard if what is wanted]:
                return right
        raise NoAnswerError(
            "the CAN bus has neither 500 nor 250 kbit/s: at both only errors are heard",
            hint="Nothing was sent. Check the wiring; this may not be the diagnostic bus.",
        )

    def _try(self, bit_rate: int | None, *, careful: bool) -> BusProtocol | None:
        """Return the protocol on which modules answer at `bit_rate`, None where none does.

        Raises
        ------
        LinkError
            The interface cannot be opened, or is lost.
        NoAnswerError
            Nobody acknowledges, or there are errors instead of answers.
        """
        wire = CanWire(open_bus(self._place, bit_rate), self._place, self.clock)
        talk = CanTalk(wire, _protocol(11, bit_rate), self.clock)
        try:
            if self._find(talk, bit_rate, careful=careful):
                self._talk, self.protocol = talk, talk.protocol
        finally:
            if self._talk is None:
                wire.close()
        return self.protocol

    def _find(self, talk: CanTalk, bit_rate: int | None, *, careful: bool) -> bool:
        """Return whether modules answer; `talk` has the protocol then."""
        widths = (self._place.id_bits,) if self._place.id_bits else (11, 29)
        most_errors = ERRORS_WHEN_CAREFUL if careful else ERRORS_AT_CONNECT
        for id_bits in widths * CONNECT_ROUNDS:
            talk.protocol = _protocol(id_bits, bit_rate)
            refused = False
            for question in QUESTIONS:
                try:
                    heard = talk.converse(Request(question), most_errors=most_errors)
                except NotTakenError as error:
                    raise NoAnswerError(str(error), hint=error.hint) from error
                if not heard.messages and (talk.wire.errors >= most_errors or talk.wire.off):
                    raise NoAnswerError(
                        f"the car does not answer: {talk.wire.trouble}; the bus was left",
                        hint="The bit rate is probably wrong, or the wiring is. Where it was "
                        "stated, try ?bitrate=500000 or ?bitrate=250000.",
                    )
                if any(not m.refused for m in heard.messages):
                    classic = question == SUPPORTED_PIDS
                    self.generation = Generation.CLASSIC if classic else Generation.ON_UDS
                    return True
                refused = refused or bool(heard.messages)
            if refused:
                self.generation = Generation.CLASSIC
                return True
        return False

    def exchange(self, request: Request) -> Exchange:
        """Send `request` and return all that came of it.

        A harmless request is asked again: after a damaged reply at most twice, after "busy" at
        most three times, unless it looks for a module. A request that changes the vehicle is sent
        once, whatever happens. What one module answered stays when only another is asked again.
        After 30 s nothing is asked again, so that 60 s are the longest.

        Raises
        ------
        LinkClosedError
            The interface is closed or gone, nobody acknowledges, or there are errors on the bus
            instead of answers; the bus was left then.
        ValueError
            Never connected, an address that is none, or a long request to all modules.
        """
        talk = self._talk
        if talk is None:
            if self.protocol is None:
                raise ValueError("connect first")
            raise LinkClosedError(f"the {self.identity} is closed", hint="Connect again.")
        harmless = not changes_vehicle(request.payload)
        searching = talk.searching(request)
        at_s = self.clock.now_s()
        repairs = REPAIR_TRIES if harmless and not searching else 0
        busy = BUSY_TRIES if harmless and not searching else 0
        notes: list[str] = []
        answered: dict[str, list[EcuMessage]] = {}
        talk.wire.kept.clear()
        while True:
            try:
                heard = talk.converse(request, started_s=at_s, harmless=harmless)
            except LinkClosedError:
                self.close()  # an interface that nobody acknowledges would go on trying
                raise
            notes += self._notes(talk, heard, searching=searching)
            self._leave_if_disturbed(talk, heard)
            for source in {m.source: None for m in heard.messages}:
                answered[source] = [m for m in heard.messages if m.source == source]
            if self.clock.now_s() - at_s > LONGEST_S:
                break
            if heard.faults and repairs:
                repairs -= 1
            elif busy and any(m.refusal_code == BUSY for m in heard.messages):
                busy -= 1
                self.clock.sleep_s(BUSY_WAIT_S)
            else:
                break
        found = [m for messages in answered.values() for m in messages]
        messages = without_superseded(sorted(found, key=lambda m: m.after_s))
        damaged = bool(heard.faults)
        return Exchange(
            at_s=at_s,
            request=request,
            messages=messages,
            outcome=_outcome(messages, damaged=damaged or bool(talk.wire.errors)),
            wire=tuple(talk.wire.kept),
            note="; ".join(dict.fromkeys(notes)),
            damaged=damaged,
        )

    def _leave_if_disturbed(self, talk: CanTalk, heard: Heard) -> None:
        """Leave a bus that brings errors instead of answers: we may be what disturbs it.

        Raises
        ------
        LinkClosedError
            It was left.
        """
        disturbed = talk.wire.errors >= ERRORS_BEFORE_LEAVING or talk.wire.off
        if disturbed and not heard.messages:
            trouble = talk.wire.trouble
            self.close()
            raise LinkClosedError(
                f"{trouble}; the bus was left",
                hint="Check plug, wiring and bit rate, and connect again.",
            )

    @staticmethod
    def _notes(talk: CanTalk, heard: Heard, *, searching: bool) -> list[str]:
        notes = heard.odd[:3] + heard.faults[:3]
        if heard.strange and not searching:
            notes.append(f"{heard.strange} message(s) that answer something else left out")
        return [*notes, talk.wire.trouble] if talk.wire.errors else notes

    def voltage_v(self) -> float | None:
        """Return None: a CAN interface measures no supply voltage."""
        return None

    def close(self) -> None:
        """Leave the bus; harmless when called twice."""
        talk, self._talk = self._talk, None
        if talk is not None:
            talk.wire.close()


def _protocol(id_bits: int, bit_rate: int | None) -> BusProtocol:
    """Return the legislated protocol of a width and bit rate; one that is not known says so."""
    for protocol in PROTOCOLS.values():
        if protocol.id_bits == id_bits and protocol.bit_rate == bit_rate:
            return protocol
    usual = PROTOCOLS["6" if id_bits == 11 else "7"]
    rate = f"{bit_rate / 1000:g} kbit/s" if bit_rate else "bit rate set at the interface"
    name = f"ISO 15765-4 CAN {id_bits} bit, {rate}"
    return replace(usual, name=name, bit_rate=bit_rate or usual.bit_rate)


def _outcome(messages: Iterable[EcuMessage], *, damaged: bool) -> Outcome:
    messages = tuple(messages)
    if any(not m.refused for m in messages):
        return Outcome.ANSWERED
    if any(m.is_pending for m in messages):
        return Outcome.TIMEOUT
    if messages:
        return Outcome.REFUSED
    return Outcome.GARBLED if damaged else Outcome.NO_DATA
