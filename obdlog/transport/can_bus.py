"""A CAN bus spoken to directly: python-can for the frames, can-isotp for the messages.

References
----------
ISO 15765-4 (identifiers, initialisation, times), ISO 15765-2 (messages), ISO 14229-2 (times).
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from obdlog.adapter.protocols import PROTOCOLS, request_address, response_address
from obdlog.clock import Clock, SystemClock
from obdlog.errors import LinkClosedError, NoAnswerError
from obdlog.links.url import LinkUrl
from obdlog.model import (
    FUNCTIONAL,
    NEGATIVE_RESPONSE,
    Bus,
    EcuMessage,
    Exchange,
    Generation,
    Outcome,
    Request,
    WireChunk,
)
from obdlog.services.registry import changes_vehicle
from obdlog.transport.base import BusProtocol
from obdlog.transport.can_channels import MOST_CHANNELS, CanFrame, Channel, sound
from obdlog.transport.can_open import CanPlace, Heard, can_place, listen, open_bus, shut
from obdlog.transport.judge import BUSY, PENDING, answers, without_superseded

if TYPE_CHECKING:
    import can

ALL_WINDOW_S = 0.1
"""How long all modules have for the first frame of an answer: twice P2CAN_max of ISO 15765-4."""
ONE_WINDOW_S = 0.2
ERASE_WINDOW_S = 2.0
PENDING_S = 5.0
"""After "response pending" (ISO 15765-4: P2*CAN_max)."""
AFTER_FRAME_S = 0.03
LONGEST_S = 30.0
BUSY_TRIES, BUSY_WAIT_S = 3, 0.2
REPAIR_TRIES = 2
LEARN_AGAIN = 50
"""After so many shortened exchanges one waits its full time, in case another module answers."""
MOST_STALE = 2000
MOST_WIRE = 5000
ERRORS_BEFORE_LEAVING = 16
CONNECT_ROUNDS = 2

SUPPORTED_PIDS = bytes.fromhex("0100")
QUESTIONS = (SUPPORTED_PIDS, bytes.fromhex("22F400"), bytes.fromhex("22F810"))
"""The first is of SAE J1979, the others tell a car after SAE J1979-2 (from memory)."""

_FUNCTIONAL_IDS = {11: "7DF", 29: "18DB33F1"}
_TESTERS_11 = frozenset({"7DF", *(f"7E{n}" for n in range(8))})


@dataclass
class _Heard:
    """What came of one sending."""

    messages: list[EcuMessage] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    error_frames: int = 0
    pending: dict[str, float] = field(default_factory=dict)
    final: set[str] = field(default_factory=set)


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
        self._bus: can.BusABC | None = None
        self._channels: dict[tuple[str, str], Channel] = {}
        self._wire: list[WireChunk] = []
        self._learned: dict[bytes, tuple[frozenset[str], int]] = {}
        self._last_payload = b""

    def connect(self) -> BusProtocol:
        """Open the bus and find bit rate, identifier width and generation.

        Raises
        ------
        LinkError
            The interface cannot be opened, or is lost.
        NoAnswerError
            No module answers.
        """
        self.close()
        self._learned.clear()
        for bit_rate in self._rates():
            self._bus = open_bus(self._place, bit_rate)
            try:
                found = self._find(bit_rate)
            except BaseException:
                self.close()
                raise
            if found is not None:
                self.protocol = found
                self._wire.clear()
                return found
            self.close()
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
        sound_ones = [rate for rate, what in heard.items() if what is Heard.FRAMES]
        # A silent bus tells nothing: both rates are tried, the first error ends a trial.
        return sound_ones or [rate for rate, what in heard.items() if what is Heard.SILENCE]

    def _find(self, bit_rate: int | None) -> BusProtocol | None:
        """Return the protocol on which modules answer, None where none does.

        Raises
        ------
        NoAnswerError
            Nobody acknowledges a frame, or errors show a wrong bit rate.
        """
        widths = (self._place.id_bits,) if self._place.id_bits else (11, 29)
        for _ in range(CONNECT_ROUNDS):
            for id_bits in widths:
                protocol = _protocol(id_bits, bit_rate)
                refused = False
                for question in QUESTIONS:
                    self.protocol = protocol
                    try:
                        heard = self._converse(Request(question), _FUNCTIONAL_IDS[id_bits])
                    except LinkClosedError as error:
                        raise self._nobody(error) from error
                    finally:
                        self.protocol = None
                    if heard.error_frames >= ERRORS_BEFORE_LEAVING // 4 and not heard.messages:
                        if self._place.searches:
                            return None
                        raise NoAnswerError(
                            "the CAN bus brings error frames instead of answers",
                            hint="The bit rate is probably wrong, or the wiring is. obdlog has "
                            "left the bus; try ?bitrate=500000 or ?bitrate=250000.",
                        )
                    if any(not m.refused for m in heard.messages):
                        classic = question == SUPPORTED_PIDS
                        self.generation = Generation.CLASSIC if classic else Generation.ON_UDS
                        return protocol
                    refused = refused or bool(heard.messages)
                if refused:
                    self.generation = Generation.CLASSIC
                    return protocol
        return None

    def _nobody(self, error: LinkClosedError) -> NoAnswerError:
        return NoAnswerError(
            f"nobody on the CAN bus takes what is sent: {error}",
            hint="Switch the ignition on, check plug, wiring, termination and bit rate.",
        )

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
        if self.protocol is None or self._bus is None:
            raise ValueError("connect first")
        target = self._target(request)
        harmless = not changes_vehicle(request.payload)
        at_s = self.clock.now_s()
        repairs, busy = (REPAIR_TRIES, BUSY_TRIES) if harmless else (0, 0)
        notes: list[str] = []
        self._wire.clear()
        while True:
            heard = self._converse(request, target, started_s=at_s, harmless=harmless)
            notes += heard.faults[:3]
            if heard.error_frames:
                notes.append(f"{heard.error_frames} error frames on the bus")
            if self.clock.now_s() - at_s > LONGEST_S:
                break
            if heard.faults and repairs:
                repairs -= 1
            elif busy and any(_code(m) == BUSY for m in heard.messages):
                busy -= 1
                self.clock.sleep_s(BUSY_WAIT_S)
            else:
                break
        messages = without_superseded(heard.messages)
        return Exchange(
            at_s=at_s,
            request=request,
            messages=messages,
            outcome=_outcome(messages, damaged=bool(heard.faults or heard.error_frames)),
            wire=tuple(self._wire),
            note="; ".join(dict.fromkeys(notes)),
            damaged=bool(heard.faults),
        )

    def voltage_v(self) -> float | None:
        """Return None: a CAN interface measures no supply voltage."""
        return None

    def close(self) -> None:
        """Leave the bus; harmless when called twice."""
        bus, self._bus = self._bus, None
        self.protocol = None
        self._channels.clear()
        if bus is not None:
            shut(bus)

    # One sending

    def _target(self, request: Request) -> str:
        """Return the identifier to send to.

        Raises
        ------
        ValueError
            It is no identifier of CAN.
        """
        assert self.protocol is not None
        if request.target == FUNCTIONAL:
            return _FUNCTIONAL_IDS[self.protocol.id_bits]
        text = request.target.upper()
        if len(text) == 2:
            text = f"18DA{text}F1"
        limit = {3: 0x7FF, 8: 0x1FFF_FFFF}.get(len(text))
        try:
            number = int(text, 16)
        except ValueError:
            number = -1
        if limit is None or not 0 <= number <= limit or not text.isalnum():
            raise ValueError(f"{request.target!a} is no CAN identifier of 3 or 8 digits")
        return text

    def _converse(
        self,
        request: Request,
        target: str,
        *,
        started_s: float | None = None,
        harmless: bool = True,
    ) -> _Heard:
        """Send once and return what came."""
        self._drop_stale()
        heard = _Heard()
        to_all = request.target == FUNCTIONAL
        source = None if to_all else self._source(request, target)
        for channel in self._channels.values():
            channel.reset()
        self._send(request.payload, target, source, heard, to_all=to_all)
        sent_s = self.clock.now_s()
        origin_s = sent_s if started_s is None else started_s
        window_s = request.wait_s
        if window_s is None:
            window_s = (ALL_WINDOW_S if to_all else ONE_WINDOW_S) if harmless else ERASE_WINDOW_S
        expected = self._expected(request) if to_all and harmless else None
        end_s = sent_s + window_s
        last_s = sent_s + LONGEST_S
        while True:
            now_s = self.clock.now_s()
            receiving = any(c.receiving for c in self._channels.values())
            until_s = max(end_s, *heard.pending.values()) if heard.pending else end_s
            if now_s >= last_s or (now_s >= until_s and not receiving):
                break
            if not heard.pending and not receiving:
                if not to_all and source is not None and source in heard.final:
                    break
                if expected is not None and expected <= heard.final:
                    break
            frame = self._receive(min(0.02 if receiving else 0.1, max(0.0, last_s - now_s),
                                      max(0.001, until_s - now_s)), heard)  # fmt: skip
            arrived_s = self.clock.now_s()
            for channel in self._channels.values():
                if frame is None and channel.receiving:
                    self._take(channel.response, channel.pump(), request, heard, 0.0, 0.0)
            if frame is None:
                continue
            if self._accept(frame, request, target, source, heard, arrived_s - origin_s, arrived_s):
                end_s = max(end_s, arrived_s + AFTER_FRAME_S)
            if heard.error_frames >= ERRORS_BEFORE_LEAVING and not heard.messages:
                break
        for channel in self._channels.values():
            heard.faults += channel.faults
        if to_all and harmless:
            self._learn(request, heard, shortened=expected is not None)
        return heard

    def _source(self, request: Request, target: str) -> str | None:
        """Return where the answer comes from, None where whatever module answers counts."""
        if request.reply_from is not None:
            return request.reply_from.upper()
        return response_address(PROTOCOLS["6" if len(target) == 3 else "7"], target)

    def _send(
        self, payload: bytes, target: str, source: str | None, heard: _Heard, *, to_all: bool
    ) -> None:
        """Send a request: a long one needs the flow control of the one module that hears it."""
        if len(payload) <= 7:
            self._write(CanFrame(target, (bytes([len(payload)]) + payload).ljust(8, b"\x00")))
            return
        if to_all or source is None:
            raise ValueError("a request to more than one module fits one frame: 7 bytes")
        channel = self._channel(target, source)
        channel.send(payload)
        deadline_s = self.clock.now_s() + LONGEST_S
        while True:
            channel.pump()
            if not channel.sending or self.clock.now_s() > deadline_s:
                return
            frame = self._receive(channel.next_due_s(), heard)
            if frame is not None and frame.identifier == source:
                good = sound(frame)
                if good is not None and good.data[0] >> 4 == 3:
                    channel.feed(good)

    def _accept(
        self,
        frame: CanFrame,
        request: Request,
        target: str,
        source: str | None,
        heard: _Heard,
        after_s: float,
        now_s: float,
    ) -> bool:
        """Take a frame that came; return whether it belongs to the talk."""
        good = sound(frame)
        if good is None or not self._awaited(frame.identifier, request, target, source):
            return False
        if request.target != FUNCTIONAL and source is None:
            # Looking for a module: any short answer will do, and no flow control goes to strangers.
            length = good.data[0]
            if 1 <= length <= 7 and len(good.data) > length:
                payload = good.data[1 : 1 + length]
                return self._take(frame.identifier, [payload], request, heard, after_s, now_s)
            return False
        if request.target == FUNCTIONAL:
            assert self.protocol is not None
            listens = request_address(self.protocol, frame.identifier)
        else:
            listens = target
        if listens is None or len(self._channels) >= MOST_CHANNELS:
            return False
        channel = self._channel(listens, frame.identifier)
        self._take(frame.identifier, channel.feed(good), request, heard, after_s, now_s)
        return True

    def _awaited(self, identifier: str, request: Request, target: str, source: str | None) -> bool:
        if source is not None:
            return identifier == source
        if request.target != FUNCTIONAL:
            return (
                len(identifier) == 3
                and identifier[0] == "7"
                and identifier not in _TESTERS_11
                and identifier != target
            )
        if len(target) == 3:
            return len(identifier) == 3 and "7E8" <= identifier <= "7EF"
        return len(identifier) == 8 and identifier.startswith("18DAF1")

    def _take(
        self,
        source: str,
        payloads: Iterable[bytes],
        request: Request,
        heard: _Heard,
        after_s: float,
        now_s: float,
    ) -> bool:
        """Keep messages that answer the request; return whether there was one."""
        taken = False
        for payload in payloads:
            message = EcuMessage(source, payload, after_s)
            if not payload or not answers(message, request):
                continue
            taken = True
            heard.messages.append(message)
            if _code(message) == PENDING:
                heard.pending[source] = now_s + PENDING_S
            else:
                heard.pending.pop(source, None)
                heard.final.add(source)
        return taken

    # What is learned of who answers

    def _expected(self, request: Request) -> frozenset[str] | None:
        """Return who answers this request as known from before, None where that is not known."""
        known = self._learned.get(request.payload)
        if known is None or known[1] >= LEARN_AGAIN:
            return None
        return known[0]

    def _learn(self, request: Request, heard: _Heard, *, shortened: bool) -> None:
        self._last_payload = request.payload
        sources = frozenset(heard.final)
        if heard.faults or not sources or heard.pending:
            self._learned.pop(request.payload, None)
            return
        known, uses = self._learned.get(request.payload, (sources, 0))
        if shortened and known <= sources:
            self._learned[request.payload] = (sources, uses + 1)
        else:
            self._learned[request.payload] = (sources, 0)

    # Frames

    def _drop_stale(self) -> None:
        """Drop what arrived unasked; a late answer shows that an exchange was ended too soon."""
        assert self._bus is not None
        for _ in range(MOST_STALE):
            message = self._recv(0.0)
            if message is None:
                return
            late = not message.is_error_frame and 0x7E8 <= message.arbitration_id <= 0x7EF
            if late or message.arbitration_id >> 8 == 0x18DAF1:
                self._learned.pop(self._last_payload, None)

    def _channel(self, request: str, response: str) -> Channel:
        key = (request, response)
        if key not in self._channels:
            self._channels[key] = Channel(request, response, self._write)
        return self._channels[key]

    def _write(self, frame: CanFrame) -> None:
        """Send one frame.

        Raises
        ------
        LinkClosedError
            The interface is gone, or nobody acknowledges.
        """
        import can

        if self._bus is None:
            raise LinkClosedError("the CAN interface is closed")
        message = can.Message(
            arbitration_id=int(frame.identifier, 16),
            is_extended_id=len(frame.identifier) > 3,
            data=frame.data,
        )
        self._note_wire(">", frame)
        try:
            self._bus.send(message, timeout=1.0)
        except Exception as error:
            raise self._lost("cannot send", error) from error

    def _receive(self, timeout_s: float, heard: _Heard) -> CanFrame | None:
        """Return the next data frame within `timeout_s` [s], None without one."""
        message = self._recv(timeout_s)
        if message is None or message.is_remote_frame:
            return None
        if message.is_error_frame:
            heard.error_frames += 1
            return None
        digits = 8 if message.is_extended_id else 3
        frame = CanFrame(f"{message.arbitration_id:0{digits}X}", bytes(message.data))
        if digits == 8 or frame.identifier[0] == "7":
            self._note_wire("<", frame)
        return frame

    def _recv(self, timeout_s: float) -> can.Message | None:
        if self._bus is None:
            raise LinkClosedError("the CAN interface is closed")
        try:
            return self._bus.recv(timeout_s)
        except Exception as error:
            raise self._lost("cannot receive", error) from error

    def _lost(self, what: str, error: Exception) -> LinkClosedError:
        said = " ".join(str(error).split())[:200] or type(error).__name__
        off = ""
        with contextlib.suppress(Exception):
            import can

            if self._bus is not None and self._bus.state is can.BusState.ERROR:
                off = "; it has switched itself off because of errors on the bus"
        return LinkClosedError(
            f"the {self.identity} {what}: {said}{off}",
            hint="Check plug, wiring and bit rate, and start again.",
        )

    def _note_wire(self, direction: str, frame: CanFrame) -> None:
        if len(self._wire) < MOST_WIRE:
            raw = f"{frame.identifier}#{frame.data.hex().upper()}"
            self._wire.append(WireChunk(self.clock.now_s(), direction, raw.encode("ascii")))


def _protocol(id_bits: int, bit_rate: int | None) -> BusProtocol:
    """Return the legislated protocol of a width and bit rate; one that is not known says so."""
    for protocol in PROTOCOLS.values():
        if protocol.id_bits == id_bits and protocol.bit_rate == bit_rate:
            return protocol
    usual = PROTOCOLS["6" if id_bits == 11 else "7"]
    rate = f"{bit_rate / 1000:g} kbit/s" if bit_rate else "bit rate set at the interface"
    name = f"ISO 15765-4 CAN {id_bits} bit, {rate}"
    return replace(usual, name=name, bus=Bus.CAN, bit_rate=bit_rate or usual.bit_rate)


def _code(message: EcuMessage) -> int | None:
    payload = message.payload
    return payload[2] if payload[:1] == bytes([NEGATIVE_RESPONSE]) and len(payload) > 2 else None


def _outcome(messages: Iterable[EcuMessage], *, damaged: bool) -> Outcome:
    messages = tuple(messages)
    if any(not m.refused for m in messages):
        return Outcome.ANSWERED
    if any(_code(m) == PENDING for m in messages):
        return Outcome.TIMEOUT
    if messages:
        return Outcome.REFUSED
    return Outcome.GARBLED if damaged else Outcome.NO_DATA
