"""A CAN bus spoken to directly: python-can for the frames, can-isotp for the messages.

References
----------
ISO 15765-4 (identifiers, initialisation, times).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.clock import Clock, SystemClock
from obdlog.errors import LinkClosedError, NoAnswerError
from obdlog.links.url import LinkUrl
from obdlog.model import EcuMessage, Exchange, Generation, Outcome, Request
from obdlog.services.registry import changes_vehicle
from obdlog.transport.base import BusProtocol
from obdlog.transport.can_open import CanPlace, Heard, can_place, listen, open_bus
from obdlog.transport.can_talk import LONGEST_S, CanTalk, code_of
from obdlog.transport.judge import BUSY, PENDING, without_superseded

BUSY_TRIES, BUSY_WAIT_S = 3, 0.2
REPAIR_TRIES = 2
CONNECT_ROUNDS = 2
ERRORS_AT_CONNECT = 4
"""So many error frames and no answer mean a wrong bit rate, and the bus is left."""

SUPPORTED_PIDS = bytes.fromhex("0100")
QUESTIONS = (SUPPORTED_PIDS, bytes.fromhex("22F400"), bytes.fromhex("22F810"))
"""The first is of SAE J1979, the others tell a car after SAE J1979-2 (from memory)."""


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
        self.identity = f"CAN interface {self._place.interface} {self._place.channel}"
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
        for bit_rate in self._rates():
            bus = open_bus(self._place, bit_rate)
            talk = CanTalk(bus, self.identity, _protocol(11, bit_rate), self.clock)
            try:
                if self._find(talk, bit_rate):
                    talk.wire.clear()
                    self._talk, self.protocol = talk, talk.protocol
                    return talk.protocol
            finally:
                if self._talk is None:
                    talk.close()
        raise NoAnswerError(
            "no module answers on the CAN bus",
            hint="Switch the ignition on (engine may be off), check the plug and, where it is "
            "stated, the bit rate.",
        )

    def _rates(self) -> Iterable[int | None]:
        """Return the bit rates worth sending at, after listening where the rate is not known."""
        if not self._place.searches:
            return self._place.rates
        heard = {rate: listen(self._place, rate, self.clock) for rate in self._place.rates if rate}
        right = [rate for rate, what in heard.items() if what is Heard.FRAMES]
        # A silent bus tells nothing: both rates are tried, the first errors end a trial.
        return right or [rate for rate, what in heard.items() if what is Heard.SILENCE]

    def _find(self, talk: CanTalk, bit_rate: int | None) -> bool:
        """Return whether modules answer; `talk` has the protocol then.

        Raises
        ------
        NoAnswerError
            Nobody acknowledges a frame, or errors show a wrong bit rate that was stated.
        """
        widths = (self._place.id_bits,) if self._place.id_bits else (11, 29)
        for id_bits in widths * CONNECT_ROUNDS:
            talk.protocol = _protocol(id_bits, bit_rate)
            refused = False
            for question in QUESTIONS:
                try:
                    heard = talk.converse(Request(question))
                except LinkClosedError as error:
                    raise NoAnswerError(
                        f"nobody on the CAN bus takes what is sent: {error}",
                        hint="Switch the ignition on, check plug, wiring, termination and bit "
                        "rate.",
                    ) from error
                if heard.error_frames >= ERRORS_AT_CONNECT and not heard.messages:
                    if self._place.searches:
                        return False
                    raise NoAnswerError(
                        "the CAN bus brings error frames instead of answers",
                        hint="The bit rate is probably wrong, or the wiring is. obdlog has left "
                        "the bus; try ?bitrate=500000 or ?bitrate=250000.",
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
        most three times. A request that changes the vehicle is sent once, whatever happens.

        Raises
        ------
        LinkClosedError
            The interface is gone, or it has left the bus because of errors.
        ValueError
            Not connected, an address that is none, or a long request to all modules.
        """
        if self._talk is None:
            raise ValueError("connect first")
        harmless = not changes_vehicle(request.payload)
        at_s = self.clock.now_s()
        repairs, busy = (REPAIR_TRIES, BUSY_TRIES) if harmless else (0, 0)
        notes: list[str] = []
        self._talk.wire.clear()
        while True:
            heard = self._talk.converse(request, started_s=at_s, harmless=harmless)
            notes += heard.faults[:3]
            if heard.error_frames:
                notes.append(f"{heard.error_frames} error frames on the bus")
            if self.clock.now_s() - at_s > LONGEST_S:
                break
            if heard.faults and repairs:
                repairs -= 1
            elif busy and any(code_of(m) == BUSY for m in heard.messages):
                busy -= 1
                self.clock.sleep_s(BUSY_WAIT_S)
            else:
                break
        messages = without_superseded(heard.messages)
        damaged = bool(heard.faults)
        return Exchange(
            at_s=at_s,
            request=request,
            messages=messages,
            outcome=_outcome(messages, damaged=damaged or bool(heard.error_frames)),
            wire=tuple(self._talk.wire),
            note="; ".join(dict.fromkeys(notes)),
            damaged=damaged,
        )

    def voltage_v(self) -> float | None:
        """Return None: a CAN interface measures no supply voltage."""
        return None

    def close(self) -> None:
        """Leave the bus; harmless when called twice."""
        talk, self._talk = self._talk, None
        self.protocol = None
        if talk is not None:
            talk.close()


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
    if any(code_of(m) == PENDING for m in messages):
        return Outcome.TIMEOUT
    if messages:
        return Outcome.REFUSED
    return Outcome.GARBLED if damaged else Outcome.NO_DATA
