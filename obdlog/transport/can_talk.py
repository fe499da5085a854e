"""One sending on a CAN bus and all that comes of it: who is awaited, how long, and what is learned.

References
----------
ISO 15765-4 (identifiers, times), ISO 15765-2 (messages), ISO 14229-2 (times).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from obdlog.adapter.protocols import PROTOCOLS, request_address, response_address
from obdlog.clock import Clock
from obdlog.errors import LinkClosedError
from obdlog.model import FUNCTIONAL, EcuMessage, Request
from obdlog.transport.base import BusProtocol
from obdlog.transport.can_channels import (
    MOST_CHANNELS,
    MOST_SINGLE,
    CanFrame,
    Channel,
    is_flow_control,
    single_payload,
    sound,
)
from obdlog.transport.can_wire import CanWire
from obdlog.transport.judge import answers

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
VERIFY_S = 60.0
"""So long it is believed who answers a request; then one exchange waits its full time again."""
MOST_LEARNED = 1000
MOST_STALE = 2000
MOST_MESSAGES = 256
"""So many answers to one request are no diagnosis."""
ERRORS_BEFORE_LEAVING = 16

FUNCTIONAL_IDS = {11: "7DF", 29: "18DB33F1"}
_TESTERS_11 = frozenset({"7DF", *(f"7E{n}" for n in range(8))})


@dataclass
class Heard:
    """What came of one sending.

    `faults` are sentences about messages that were lost, `odd` about what was otherwise not as it
    should be.
    """

    messages: list[EcuMessage] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)
    strange: int = 0
    pending: dict[str, float] = field(default_factory=dict)
    final: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True)
class _Asked:
    """A request on its way: `source` answers it, None where that is not known."""

    request: Request
    target: str
    source: str | None
    origin_s: float

    @property
    def to_all(self) -> bool:
        return self.request.target == FUNCTIONAL

    @property
    def searching(self) -> bool:
        return not self.to_all and self.source is None


class CanTalk:
    """The talk over one open bus."""

    def __init__(self, wire: CanWire, protocol: BusProtocol, clock: Clock) -> None:
        self.protocol = protocol
        self.wire = wire
        self._clock = clock
        self._channels: dict[tuple[str, str], Channel] = {}
        self._learned: dict[bytes, tuple[frozenset[str], float]] = {}
        self._before: _Asked | None = None

    def searching(self, request: Request) -> bool:
        """Return whether `request` looks for a module whose response address is not known."""
        return self._asked(request, 0.0).searching

    def converse(
        self,
        request: Request,
        *,
        started_s: float | None = None,
        harmless: bool = True,
        most_errors: int = ERRORS_BEFORE_LEAVING,
    ) -> Heard:
        """Send once and return what came; `wire` has counted the errors on the bus.

        Parameters
        ----------
        started_s
            The clock when the exchange began, from which times count [s]; by default now.
        harmless
            False waits longer and ends no earlier than it must.
        most_errors
            After so many error frames without an answer nothing is waited for any more.

        Raises
        ------
        LinkClosedError
            The interface is gone, or nobody acknowledges.
        ValueError
            The target is no CAN identifier, or a long request goes to more than one module.
        """
        asked = self._asked(request, self._clock.now_s() if started_s is None else started_s)
        long = len(request.payload) > MOST_SINGLE
        if long and asked.source is None:
            raise ValueError(f"a request to more than one module has at most {MOST_SINGLE} bytes")
        heard = Heard()
        self._drop_stale(heard)
        self._before = asked
        self.wire.forget_errors()
        for channel in self._channels.values():
            channel.reset()
        if long:
            self._send_long(asked, heard)
        else:
            data = bytes([len(request.payload)]) + request.payload
            self.wire.write(CanFrame(asked.target, data.ljust(8, b"\x00")))
        try:
            self._listen(asked, heard, harmless=harmless, most_errors=most_errors)
        except LinkClosedError as error:
            if harmless or not heard.messages:
                raise
            # What a module said of a change is worth more than the end of the road.
            heard.odd.append(str(error))
        for channel in self._channels.values():
            heard.faults += channel.faults
            if channel.receiving:
                heard.faults.append(f"{channel.response}: a long message ends before it is whole")
        heard.odd += [
            f"{source} answered {count} times; two modules may answer with this identifier"
            for source, count in heard.final.items()
            if count > 1
        ]
        return heard

    def _asked(self, request: Request, origin_s: float) -> _Asked:
        target = self._target(request)
        source: str | None = None
        if request.reply_from is not None:
            source = request.reply_from.upper()
        elif request.target != FUNCTIONAL:
            source = response_address(PROTOCOLS["6" if len(target) == 3 else "7"], target)
        return _Asked(request, target, source, origin_s)

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

    def _send_long(self, asked: _Asked, heard: Heard) -> None:
        """Send a request of several frames, as the module that takes it wants them."""
        if asked.source is None:
            raise ValueError("a long request goes to one module whose answer address is known")
        channel = self._channel(asked.target, asked.source)
        channel.send(asked.request.payload)
        deadline_s = self._clock.now_s() + LONGEST_S
        while True:
            channel.pump()
            if not channel.sending or self._clock.now_s() > deadline_s:
                return
            frame = self.wire.read(channel.next_due_s())
            if frame is None or frame.identifier != asked.source:
                continue
            self._accept(frame, asked, heard)
            if heard.final or heard.pending:  # it has its answer without the rest
                channel.reset()
                return

    # Listening

    def _listen(self, asked: _Asked, heard: Heard, *, harmless: bool, most_errors: int) -> None:
        """Take what comes until everything is there, or time is up."""
        now_s = self._clock.now_s()
        window_s = asked.request.wait_s
        if window_s is None:
            window_s = ALL_WINDOW_S if asked.to_all else ONE_WINDOW_S
            window_s = window_s if harmless else ERASE_WINDOW_S
        learns = asked.to_all and harmless
        expected = self._expected(asked.request) if learns else None
        frame_s, end_s, last_s = now_s, now_s + window_s, now_s + LONGEST_S
        while True:
            now_s = self._clock.now_s()
            receiving = now_s < frame_s + NEXT_FRAME_S and any(
                channel.receiving for channel in self._channels.values()
            )
            until_s = max((end_s, *heard.pending.values()))
            if now_s >= last_s or (now_s >= until_s and not receiving):
                break
            if not heard.pending and not receiving and _complete(asked, heard, expected):
                break
            if not heard.messages and (self.wire.bus_off or self.wire.errors >= most_errors):
                break
            if len(heard.messages) >= MOST_MESSAGES:
                heard.faults.append("more answers than modules can give; the rest is left out")
                break
            left_s = (last_s if receiving else min(until_s, last_s)) - now_s
            frame = self.wire.read(max(0.001, min(PUMP_S if receiving else IDLE_S, left_s)))
            if frame is None:
                for channel in self._channels.values():
                    if channel.receiving:
                        channel.pump()  # its time limits
            elif self._accept(frame, asked, heard):
                frame_s = self._clock.now_s()
                end_s = max(end_s, frame_s + AFTER_FRAME_S)
        if learns:
            self._learn(asked.request, heard, expected)

    def _accept(self, frame: CanFrame, asked: _Asked, heard: Heard) -> bool:
        """Take a frame that came; return whether it moves the talk on."""
        good = sound(frame)
        if good is None or not _awaited(frame.identifier, asked):
            return False
        if asked.searching:
            # Any short answer will do, and no flow control goes to strangers.
            payload = single_payload(good)
            return payload is not None and self._take(frame.identifier, [payload], asked, heard)
        listens: str | None = asked.target
        if asked.to_all:
            listens = request_address(self.protocol, frame.identifier)
        if listens is None:
            return False
        channel = self._channel(listens, frame.identifier)
        if is_flow_control(good) and not channel.sending:
            return False  # ISO 15765-2: ignored where nothing is being sent
        taken = self._take(frame.identifier, channel.feed(good), asked, heard)
        return taken or channel.receiving

    def _take(self, source: str, payloads: Iterable[bytes], asked: _Asked, heard: Heard) -> bool:
        """Keep messages that answer the request; return whether there was one."""
        taken = False
        now_s = self._clock.now_s()
        for payload in payloads:
            message = EcuMessage(source, payload, max(0.0, now_s - asked.origin_s))
            if not payload or not answers(message, asked.request):
                heard.strange += 1
                continue
            taken = True
            heard.messages.append(message)
            if message.is_pending and not asked.searching:
                heard.pending[source] = now_s + PENDING_S
            else:
                heard.pending.pop(source, None)
                heard.final[source] += 1
        return taken

    def _channel(self, request: str, response: str) -> Channel:
        """Return the channel to a module, made when its first frame is there."""
        key = (request, response)
        channel = self._channels.pop(key, None) or Channel(request, response, self.wire.write)
        if len(self._channels) >= MOST_CHANNELS:
            del self._channels[next(iter(self._channels))]
        self._channels[key] = channel
        return channel

    # What is learned of who answers

    def _expected(self, request: Request) -> frozenset[str] | None:
        """Return who answers this request as known from before, None where that is not known."""
        sources, since_s = self._learned.get(request.payload, (frozenset[str](), 0.0))
        fresh = self._clock.now_s() - since_s < VERIFY_S
        return sources if sources and fresh else None

    def _learn(self, request: Request, heard: Heard, expected: frozenset[str] | None) -> None:
        sources = frozenset(heard.final)
        channels = self._channels.values()
        damaged = bool(heard.faults) or any(c.faults or c.receiving for c in channels)
        if not sources or heard.pending or damaged:
            self._learned.pop(request.payload, None)
        elif expected is None:
            if len(self._learned) >= MOST_LEARNED:
                self._learned.clear()
            self._learned[request.payload] = (sources, self._clock.now_s())
        elif sources != expected:  # somebody is missing, or is new
            del self._learned[request.payload]

    def _drop_stale(self, heard: Heard) -> None:
        """Drop what arrived unasked; a late answer shows that an exchange was ended too soon."""
        before = self._before
        for frame in self.wire.waiting(MOST_STALE):
            if before is None or before.searching or not _awaited(frame.identifier, before):
                continue
            self._learned.pop(before.request.payload, None)
            late = f"{frame.identifier} said something late; left out"
            if late not in heard.odd:
                heard.odd.append(late)


def _awaited(identifier: str, asked: _Asked) -> bool:
    """Return whether a frame with `identifier` may belong to the answer."""
    if asked.source is not None:
        return identifier == asked.source
    if asked.searching:
        return (
            len(identifier) == 3
            and identifier[0] == "7"
            and identifier not in _TESTERS_11
            and identifier != asked.target
        )
    if len(asked.target) == 3:
        return len(identifier) == 3 and "7E8" <= identifier <= "7EF"
    return len(identifier) == 8 and identifier.startswith("18DAF1")


def _complete(asked: _Asked, heard: Heard, expected: frozenset[str] | None) -> bool:
    """Return whether everybody has answered who will."""
    if asked.to_all:
        return expected is not None and expected <= heard.final.keys()
    return asked.source is not None and asked.source in heard.final
