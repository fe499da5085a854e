"""What one reply of an adapter means for one request, pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from obdlog.adapter.reply import Reply
from obdlog.adapter.status import STATUS_FACTS, Recovery, Status
from obdlog.framing import assemble
from obdlog.model import NEGATIVE_RESPONSE, EcuMessage, Outcome, Request
from obdlog.transport.base import BusProtocol

BUSY = 0x21
PENDING = 0x78
ECHOED_SERVICES = frozenset({0x01, 0x02, 0x05, 0x06, 0x09})
"""Services whose positive reply names the first item asked (SAE J1979)."""

_NOTHING_CAME = {
    Status.NO_DATA,
    Status.UNABLE_TO_CONNECT,
    Status.BUS_INIT_ERROR,
    Status.SEARCHING,
    Status.BUS_INIT,
    Status.OK,
}
"""The request went out, or nobody was there to hear it. After any other status it is not known
what the car would have said: that must not pass for "nothing"."""


@dataclass(frozen=True, slots=True)
class Judged:
    """`messages` answer the request; `recovery` is what the adapter's state asks for.

    `odd` is a sentence when something was not as it should be, `damaged` says that part of the
    reply was dropped. `pending` and `busy` say that a
    module promised an answer that did not come, or asked to be asked again.
    """

    messages: tuple[EcuMessage, ...]
    outcome: Outcome
    recovery: Recovery
    pending: bool
    busy: bool
    odd: str
    damaged: bool = False


def judge(reply: Reply, request: Request, protocol: BusProtocol | None, *, headers: bool) -> Judged:
    """Return what `reply` means for `request`."""
    assembled = assemble(reply.lines, protocol, headers=headers, request=request.payload)
    own = [m for m in assembled.messages if answers(m, request)]
    strange = len(assembled.messages) - len(own)
    messages = without_superseded(own)
    odd = list(assembled.faults[:3])
    if strange:
        odd.append(f"{strange} message(s) that answer something else left out")
    recovery = STATUS_FACTS[reply.status].recovery if reply.status else Recovery.NONE
    if reply.status and recovery not in (Recovery.NONE, Recovery.REPORT_NO_DATA):
        odd.append(STATUS_FACTS[reply.status].meaning.rstrip("."))
    if not reply.prompted:
        odd.append("the adapter did not finish its reply")
    if assembled.faults and recovery in (Recovery.NONE, Recovery.KEEP_WAITING):
        recovery = Recovery.RETRY
    return Judged(
        messages=messages,
        outcome=_outcome(reply, messages, damaged=bool(assembled.faults)),
        recovery=recovery,
        pending=any(_code(m) == PENDING for m in messages),
        busy=any(_code(m) == BUSY for m in messages),
        damaged=bool(assembled.faults),
        odd="; ".join(odd),
    )


def answers(message: EcuMessage, request: Request) -> bool:
    """Return whether `message` answers `request`: its service and, where named, its item."""
    payload = message.payload
    if payload[:1] == bytes([NEGATIVE_RESPONSE]):
        return payload[1:2] == request.payload[:1]
    if payload[0] != (request.service + 0x40) & 0xFF:
        return False
    if request.service in ECHOED_SERVICES and len(request.payload) > 1:
        items = (
            request.payload[1:] if request.service in (0x01, 0x06, 0x09) else request.payload[1:2]
        )
        return len(payload) > 1 and payload[1] in items
    return True


def without_superseded(messages: Sequence[EcuMessage]) -> tuple[EcuMessage, ...]:
    """Return `messages` without each "response pending" that its module followed up."""
    kept: list[EcuMessage] = []
    for message in messages:
        kept = [k for k in kept if k.source != message.source or _code(k) != PENDING]
        kept.append(message)
    return tuple(kept)


def with_times(messages: Sequence[EcuMessage], seconds: Sequence[float]) -> tuple[EcuMessage, ...]:
    """Return `messages`, each with its seconds after the request."""
    return tuple(
        replace(message, after_s=max(0.0, after_s))
        for message, after_s in zip(messages, seconds, strict=True)
    )


def end_of_last_line(raw: bytes, source: str) -> int | None:
    """Return where in `raw` the last line from module `source` ends, None where there is none.

    A CAN line begins with the source; on the older buses it is the third byte of the header.
    """
    wanted = source.encode("ascii", "replace")
    start = 0 if len(wanted) > 2 else 4
    end = len(raw)
    for line in reversed(raw.split(b"\r")):
        text = line.replace(b" ", b"").strip(b"\n\0")
        if text[start : start + len(wanted)] == wanted:
            return end
        end -= len(line) + 1
    return None


def _code(message: EcuMessage) -> int | None:
    return message.payload[2] if message.refused and len(message.payload) > 2 else None


def _outcome(reply: Reply, messages: Sequence[EcuMessage], *, damaged: bool) -> Outcome:
    if any(not m.refused for m in messages):
        return Outcome.ANSWERED
    if any(_code(m) == PENDING for m in messages):
        return Outcome.TIMEOUT
    if messages:
        return Outcome.REFUSED
    if damaged or Status.OVERFLOW in reply.statuses:
        return Outcome.GARBLED
    if not reply.prompted:
        return Outcome.GARBLED if reply.lines else Outcome.TIMEOUT
    if reply.status is None:
        return Outcome.GARBLED if reply.lines or reply.raw.strip(b"\r\n\0 ") else Outcome.NO_DATA
    return Outcome.NO_DATA if reply.status in _NOTHING_CAME else Outcome.GARBLED
