"""One sending on a CAN bus and all that comes of it: who is awaited, how long, and what is learned.

References
----------
ISO 15765-4 (identifiers, times), ISO 15765-2 (messages), ISO 14229-2 (times).
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from obdlog.adapter.protocols import PROTOCOLS, request_address, response_address
from obdlog.clock import Clock
from obdlog.errors import LinkClosedError
from obdlog.model import FUNCTIONAL, NEGATIVE_RESPONSE, EcuMessage, Request, WireChunk
from obdlog.transport.base import BusProtocol
from obdlog.transport.can_channels import MOST_CHANNELS, CanFrame, Channel, sound
from obdlog.transport.can_open import shut
from obdlog.transport.judge import PENDING, answers

if TYPE_CHECKING:
    import can

ALL_WINDOW_S = 0.1
"""How long all modules have for the first frame of an answer: twice P2CAN_max of ISO 15765-4."""
ONE_WINDOW_S = 0.2
ERASE_WINDOW_S = 2.0
PENDING_S = 5.0
"""After "response pending" (ISO 15765-4: P2*CAN_max)."""
AFTER_FRAME_S = 0.03
NEXT_FRAME_S = 1.0
"""How long after a frame the next one of a message may come (ISO 15765-2, N_Cr)."""
PUMP_S, IDLE_S = 0.02, 0.1
"""How often time limits are looked at while a message is coming in, and otherwise."""
LONGEST_S = 30.0
LEARN_AGAIN = 50
"""After so many shortened exchanges one waits its full time, in case another module answers."""
MOST_STALE = 2000
MOST_WIRE = 5000
ERRORS_BEFORE_LEAVING = 16

FUNCTIONAL_IDS = {11: "7DF", 29: "18DB33F1"}
_TESTERS_11 = frozenset({"7DF", *(f"7E{n}" for n in range(8))})


@dataclass
class Heard:
    """What came of one sending."""

    messages: list[EcuMessage] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    error_frames: int = 0
    pending: dict[str, float] = field(default_factory=dict)
    final: set[str] = field(default_factory=set)


class CanTalk:
    """The talk over one open bus; `wire` holds the diagnostic frames since it was last cleared.

    Parameters
    ----------
    bus
        An open python-can bus; `close` shuts it.
    name
        What to call it in errors.
    """

    def __init__(self, bus: can.BusABC, name: str, protocol: BusProtocol, clock: Clock) -> None:
        self.protocol = protocol
        self.wire: list[WireChunk] = []
        self._bus, self._name, self._clock = bus, name, clock
        self._channels: dict[tuple[str, str], Channel] = {}
        self._learned: dict[bytes, tuple[frozenset[str], int]] = {}
        self._last_payload = b""

    def close(self) -> None:
        """Leave the bus."""
        shut(self._bus)

    def converse(
        self,
        request: Request,
        *,
        started_s: float | None = None,
        harmless: bool = True,
    ) -> Heard:
        """Send once and return what came.

        Parameters
        ----------
        started_s
            The clock when the exchange began, from which times count [s]; by default now.
        harmless
            False waits longer and ends no earlier than it must.

        Raises
        ------
        LinkClosedError
            The interface is gone, or nobody acknowledges.
        ValueError
            The target is no CAN identifier, or a long request goes to more than one module.
        """
        target = self._target(request)
        self._drop_stale()
        heard = Heard()
        to_all = request.target == FUNCTIONAL
        source = None if to_all else self._source(request, target)
        for channel in self._channels.values():
            channel.reset()
        self._send(request.payload, target, source, heard, to_all=to_all)
        sent_s = self._clock.now_s()
        origin_s = sent_s if started_s is None else started_s
        window_s = request.wait_s
        if window_s is None:
            window_s = (ALL_WINDOW_S if to_all else ONE_WINDOW_S) if harmless else ERASE_WINDOW_S
        expected = self._expected(request) if to_all and harmless else None
        end_s = sent_s + window_s
        frame_s = sent_s
        last_s = sent_s + LONGEST_S
        while True:
            now_s = self._clock.now_s()
            receiving = any(c.receiving for c in self._channels.values())
            receiving = receiving and now_s < frame_s + NEXT_FRAME_S
            until_s = max(end_s, *heard.pending.values()) if heard.pending else end_s
            if now_s >= last_s or (now_s >= until_s and not receiving):
                break
            if not heard.pending and not receiving:
                if not to_all and source is not None and source in heard.final:
                    break
                if expected is not None and expected <= heard.final:
                    break
            patience_s = PUMP_S if receiving else IDLE_S
            left_s = min(until_s if not receiving else last_s, last_s) - now_s
            frame = self._receive(max(0.001, min(patience_s, left_s)), heard)
            if frame is None:
                for channel in self._channels.values():
                    if channel.receiving:
                        channel.pump()  # its time limits
                continue
            arrived_s = self._clock.now_s()
            if self._accept(frame, request, target, source, heard, arrived_s - origin_s, arrived_s):
                frame_s = arrived_s
                end_s = max(end_s, arrived_s + AFTER_FRAME_S)
            if heard.error_frames >= ERRORS_BEFORE_LEAVING and not heard.messages:
                break
        for channel in self._channels.values():
            heard.faults += channel.faults
            if channel.receiving:
                heard.faults.append(f"{channel.response}: a long message ends before it is whole")
        if to_all and harmless:
            self._learn(request, heard, shortened=expected is not None)
        return heard

    def _source(self, request: Request, target: str) -> str | None:
        """Return where the answer comes from, None where whatever module answers counts."""
        if request.reply_from is not None:
            return request.reply_from.upper()
        return response_address(PROTOCOLS["6" if len(target) == 3 else "7"], target)

    def _send(
        self, payload: bytes, target: str, source: str | None, heard: Heard, *, to_all: bool
    ) -> None:
        """Send a request: a long one needs the flow control of the one module that hears it."""
        if len(payload) <= 7:
            self._write(CanFrame(target, (bytes([len(payload)]) + payload).ljust(8, b"\x00")))
            return
        if to_all or source is None:
            raise ValueError("a request to more than one module fits one frame: 7 bytes")
        channel = self._channel(target, source)
        channel.send(payload)
        deadline_s = self._clock.now_s() + LONGEST_S
        while True:
            channel.pump()
            if not channel.sending or self._clock.now_s() > deadline_s:
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
        heard: Heard,
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
        heard: Heard,
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
            if code_of(message) == PENDING:
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

    def _learn(self, request: Request, heard: Heard, *, shortened: bool) -> None:
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

    def _receive(self, timeout_s: float, heard: Heard) -> CanFrame | None:
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
        try:
            return self._bus.recv(timeout_s)
        except Exception as error:
            raise self._lost("cannot receive", error) from error

    def _lost(self, what: str, error: Exception) -> LinkClosedError:
        said = " ".join(str(error).split())[:200] or type(error).__name__
        off = ""
        with contextlib.suppress(Exception):
            import can

            if self._bus.state is can.BusState.ERROR:
                off = "; it has switched itself off because of errors on the bus"
        return LinkClosedError(
            f"the {self._name} {what}: {said}{off}",
            hint="Check plug, wiring and bit rate, and start again.",
        )

    def _note_wire(self, direction: str, frame: CanFrame) -> None:
        if len(self.wire) < MOST_WIRE:
            raw = f"{frame.identifier}#{frame.data.hex().upper()}"
            self.wire.append(WireChunk(self._clock.now_s(), direction, raw.encode("ascii")))

    def _target(self, request: Request) -> str:
        """Return the identifier to send to.

        Raises
        ------
        ValueError
            It is no identifier of CAN.
        """
        if request.target == FUNCTIONAL:
            return FUNCTIONAL_IDS[self.protocol.id_bits]
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


def code_of(message: EcuMessage) -> int | None:
    """Return the negative response code of a message, None where it is none."""
    payload = message.payload
    return payload[2] if payload[:1] == bytes([NEGATIVE_RESPONSE]) and len(payload) > 2 else None
