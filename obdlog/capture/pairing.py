"""Requests and answers of a capture, put together to exchanges.

A request to one module waits for that module, one to all for every module; what an answer repeats
of its request decides between several. An answer whose request the capture does not show still
counts: its request is inferred, and the exchange says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from obdlog.capture.frames import Kept, Sender
from obdlog.capture.infer import (
    answers,
    asks,
    echo_of,
    inferred_request,
    is_legislated_service,
    is_pending,
    is_refusal,
)
from obdlog.capture.messages import Assembler, Fault, Message
from obdlog.capture.roles import ANSWER_WITHIN_S, Part, Role
from obdlog.model import FUNCTIONAL, EcuMessage, Exchange, Outcome, Request

INFERRED = "no request was seen; it is inferred from the answer"
"""Note of an exchange whose request the capture does not show."""

TOGETHER_S = 0.1
"""Answers of several modules this near to each other had one request; ISO 15765-4 gives 50 ms."""

MOST_OPEN = 256
MOST_FAULTS = 100
MOST_EXCHANGE_BYTES = 200_000
"""An exchange is one line of the session file, whose readers bound lines to a mebibyte."""

_NO_TIME_S = 1.0


@dataclass(slots=True)
class _Open:
    """An exchange that may still grow."""

    channel: str
    request: bytes
    target: str
    answer_from: str
    at_s: float
    last_s: float
    inferred: bool = False
    size: int = 0
    got: dict[str, tuple[bytes, float]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    def waits_for(self, source: str, at_s: float) -> bool:
        """Return whether an answer of `source` at `at_s` [s] would still be in time."""
        if self.answer_from and source != self.answer_from:
            return False
        if self.size > MOST_EXCHANGE_BYTES:
            return False
        held = self.got.get(source)
        if held is not None and not is_pending(held[0]):
            return False
        return at_s - self.last_s <= self.patience_s

    @property
    def patience_s(self) -> float:
        """How long after the last that was heard an answer still belongs here [s]."""
        waiting = any(is_pending(payload) for payload, _ in self.got.values())
        return ANSWER_WITHIN_S if waiting or not self.inferred else TOGETHER_S


@dataclass
class Pairing:
    """Makes exchanges of frames; the counts grow as `exchanges` is consumed.

    Attributes
    ----------
    answers
        Messages of each module, by its address.
    asked_at
        The address each module is asked at, empty where that is not known.
    """

    roles: dict[Sender, Role]
    frames: int = 0
    exchange_count: int = 0
    inferred: int = 0
    fault_count: int = 0
    faults: list[str] = field(default_factory=list)
    answers: dict[str, int] = field(default_factory=dict)
    asked_at: dict[str, str] = field(default_factory=dict)
    channels: dict[str, None] = field(default_factory=dict)
    _open: list[_Open] = field(default_factory=list)

    def exchanges(self, frames: Iterable[Kept], end_s: float) -> Iterator[Exchange]:
        """Yield the exchanges in the order in which they began; the capture ends at `end_s` [s]."""
        assembler = Assembler()
        for frame in frames:
            role = self.roles.get(frame.sender)
            if role is None:
                continue
            self.frames += 1
            message, fault = assembler.add(frame)
            if fault is not None:
                self._fault(fault, role)
            if message is not None:
                self._take(message, role)
            while self._open and (
                len(self._open) > MOST_OPEN
                or frame.at_s - self._open[0].last_s > self._open[0].patience_s
            ):
                yield self._closed(self._open.pop(0), end_s)
        for fault in assembler.finish():
            self._fault(fault, self.roles[fault.sender])
        while self._open:
            yield self._closed(self._open.pop(0), end_s)

    def _take(self, message: Message, role: Role) -> None:
        payload, address = message.payload, message.sender.address
        if role.part is Part.REQUEST:
            if not asks(payload):
                self._strange(message, role, "a message that asks nothing")
                return
            functional = role.partner == FUNCTIONAL
            self._begin(
                _Open(
                    message.sender.channel,
                    payload,
                    FUNCTIONAL if functional else address,
                    "" if functional else role.partner,
                    message.began_s,
                    message.at_s,
                )
            )
        elif answers(payload):
            self._answer(message, role)
        else:
            self._strange(message, role, "a message that answers nothing")

    def _begin(self, made: _Open) -> None:
        self.channels[made.channel] = None
        place = len(self._open)
        while place and self._open[place - 1].at_s > made.at_s:
            place -= 1
        self._open.insert(place, made)

    def _answer(self, message: Message, role: Role) -> None:
        source, payload = message.sender.address, message.payload
        self.answers[source] = self.answers.get(source, 0) + 1
        self.asked_at[source] = role.partner
        found = self._asking(message)
        if found is None:
            request = inferred_request(payload)
            to_all = is_legislated_service(request[0]) or not role.partner
            found = _Open(
                message.sender.channel,
                request,
                FUNCTIONAL if to_all else role.partner,
                "" if to_all else source,
                message.at_s,
                message.at_s,
                inferred=True,
            )
            self._begin(found)
        elif found.inferred and not is_refusal(payload):
            found.request = max(found.request, inferred_request(payload), key=len)
        found.got[source] = (payload, message.at_s)
        found.size += len(payload)
        found.last_s = max(found.last_s, message.at_s)

    def _asking(self, message: Message) -> _Open | None:
        """Return the exchange that waits for `message`, the latest where several do."""
        source, channel = message.sender.address, message.sender.channel
        for candidate in reversed(self._open):
            if (
                candidate.channel == channel
                and candidate.waits_for(source, message.at_s)
                and echo_of(candidate.request, message.payload)
            ):
                return candidate
        return None

    def _strange(self, message: Message, role: Role, what: str) -> None:
        sender = message.sender
        self._fault(Fault(sender, f"{sender.address}: {what}", message.began_s), role)

    def _fault(self, fault: Fault, role: Role) -> None:
        """Count a fault, and note it with the exchange whose answer it most likely spoilt."""
        self.fault_count += 1
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(fault.text)
        if role.part is not Part.ANSWER:
            return
        for candidate in reversed(self._open):
            if (
                candidate.channel == fault.sender.channel
                and candidate.at_s <= fault.began_s
                and not candidate.inferred
            ):
                waits = candidate.waits_for(fault.sender.address, candidate.last_s)
                if waits and len(candidate.faults) < 3:
                    candidate.faults.append(fault.text)
                return

    def _closed(self, done: _Open, end_s: float) -> Exchange:
        self.exchange_count += 1
        self.inferred += done.inferred
        messages = tuple(
            EcuMessage(source, payload, at_s - done.at_s)
            for source, (payload, at_s) in done.got.items()
        )
        notes = [INFERRED] * done.inferred + done.faults
        return Exchange(
            done.at_s,
            Request(done.request, target=done.target),
            messages,
            _outcome(done, end_s),
            note="; ".join(notes),
            damaged=bool(done.faults),
        )


def _outcome(done: _Open, end_s: float) -> Outcome:
    payloads = [payload for payload, _ in done.got.values()]
    if any(not is_refusal(payload) for payload in payloads):
        return Outcome.ANSWERED
    if any(is_pending(payload) for payload in payloads):
        return Outcome.TIMEOUT
    if payloads:
        return Outcome.REFUSED
    if done.faults:
        return Outcome.GARBLED
    # A capture that ends right behind a request does not show what the car would have said.
    return Outcome.TIMEOUT if end_s - done.last_s < _NO_TIME_S else Outcome.NO_DATA
