"""What one reply of an adapter means for one request, pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from obdlog.adapter.reply import Reply
from obdlog.adapter.routes import Route
from obdlog.adapter.status import STATUS_FACTS, Recovery, Status
from obdlog.framing import assemble
from obdlog.framing.hexlines import Shape, fits, shape_of
from obdlog.model import NEGATIVE_RESPONSE, RESPONSE_PENDING, EcuMessage, Outcome, Request
from obdlog.services import refusals
from obdlog.transport.base import BusProtocol

BUSY = refusals.BUSY
PENDING = RESPONSE_PENDING
_HEX = re.compile(r"[0-9A-F]+")

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

_ONLY_TRAFFIC = {Status.RX_ERROR, Status.DATA_ERROR}
"""What may be said of frames that were no answer."""


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


def judge(
    reply: Reply,
    request: Request,
    protocol: BusProtocol | None,
    *,
    headers: bool,
    route: Route | None = None,
) -> Judged:
    """Return what `reply` means for `request`.

    `route` says whose answers count. What else the bus carried is left out: for a search wholly,
    and a status that only tells of such traffic with it.
    """
    lines = reply.lines if route is None or not headers else own_lines(reply.lines, request, route)
    assembled = assemble(lines, protocol, headers=headers, request=request.payload)
    heard = [m for m in assembled.messages if route is None or route.accepts(m.source)]
    own = [m for m in heard if answers(m, request)]
    strange = len(assembled.messages) - len(own)
    messages = without_superseded(own)
    searching = route is not None and route.searching
    status = reply.status
    if searching and not lines and reply.lines and status in _ONLY_TRAFFIC:
        status = Status.NO_DATA
    odd = list(assembled.faults[:3])
    if strange and not searching:
        odd.append(f"{strange} message(s) that answer something else left out")
    if len(lines) < len(reply.lines) and not searching:
        odd.append(f"{len(reply.lines) - len(lines)} line(s) of other modules left out")
    recovery = STATUS_FACTS[status].recovery if status else Recovery.NONE
    if status and recovery not in (Recovery.NONE, Recovery.REPORT_NO_DATA):
        odd.append(STATUS_FACTS[status].meaning.rstrip("."))
    if not reply.prompted:
        odd.append("the adapter did not finish its reply")
    if assembled.faults and recovery in (Recovery.NONE, Recovery.KEEP_WAITING):
        recovery = Recovery.RETRY
    left_out = status is None and reply.prompted and bool(reply.lines) and not lines
    return Judged(
        messages=messages,
        outcome=Outcome.NO_DATA
        if left_out or (searching and not messages and not assembled.faults and status is None)
        else _outcome(replace(reply, status=status), messages, damaged=bool(assembled.faults)),
        recovery=recovery,
        pending=any(m.is_pending for m in messages),
        busy=any(m.refusal_code == BUSY for m in messages),
        damaged=bool(assembled.faults),
        odd="; ".join(odd),
    )


def own_lines(lines: Sequence[str], request: Request, route: Route) -> tuple[str, ...]:
    """Return those of `lines` that may belong to an answer that counts.

    Lines that bear the address of another module go. Of a search only those remain whose module
    begins an answer to `request`: the range that is listened to is full of other traffic. A line
    without a readable address remains otherwise: it may be a damaged answer.
    """
    shape = shape_of(route.protocol)
    if shape not in (Shape.CAN_11, Shape.CAN_29) or not (route.source or route.searching):
        return tuple(lines)
    width = 3 if shape is Shape.CAN_11 else 8
    addressed = [(line, source_of(line, shape)) for line in lines]
    if not route.searching:
        return tuple(line for line, source in addressed if source is None or route.accepts(source))
    answering = {
        source
        for line, source in addressed
        if source and route.accepts(source) and _begins_answer(line, width, request)
    }
    return tuple(line for line, source in addressed if source in answering)


def source_of(line: str, shape: Shape) -> str | None:
    """Return the address at the head of a CAN line, also of one with an error text behind it."""
    data = line.partition("<")[0].strip()
    width = 3 if shape is Shape.CAN_11 else 8
    text = data.replace(" ", "").upper()
    if data == line.strip() and not fits(line, shape):
        return None
    return text[:width] if _HEX.fullmatch(text) and len(text) >= width else None


def _begins_answer(line: str, width: int, request: Request) -> bool:
    """Return whether the frame in `line` is, or opens, an answer to `request` (ISO 15765-2)."""
    text = line.partition("<")[0].replace(" ", "").upper()[width:]
    at = 2 if text[:1] == "0" else 4 if text[:1] == "1" else 0
    positive = f"{(request.service + 0x40) & 0xFF:02X}"
    refusal = f"{NEGATIVE_RESPONSE:02X}{request.service:02X}"
    return at > 0 and text[at:].startswith((positive, refusal))


def answers(message: EcuMessage, request: Request) -> bool:
    """Return whether `message` answers `request`: its service and, where named, its item.

    References
    ----------
    SAE J1979; ISO 14229-1 (22, 19, 3E, 10, 14) and ISO 14230-3 (1A, 3E), from memory.
    """
    payload = message.payload
    if payload[:1] == bytes([NEGATIVE_RESPONSE]):
        return payload[1:2] == request.payload[:1]
    if not payload or payload[0] != (request.service + 0x40) & 0xFF:
        return False
    asked = request.payload[1:]
    if not asked:
        return True
    match request.service:
        case 0x01 | 0x06 | 0x09:
            return len(payload) > 1 and payload[1] in asked
        case 0x02 | 0x05 | 0x1A:
            return payload[1:2] == asked[:1]
        case 0x22:
            identifiers = {asked[at : at + 2] for at in range(0, len(asked), 2)}
            return payload[1:3] in identifiers
        case 0x19:
            return payload[1:2] == _sub_function(asked)
        case 0x10:
            return len(payload) == 1 or payload[1:2] == _sub_function(asked)
        case 0x3E:  # the older language has an answer without, or one that only asks for one
            return len(payload) == 1 or payload[1:2] in (_sub_function(asked), b"\x01")
    return True


def _sub_function(asked: bytes) -> bytes:
    """Return the sub-function as an answer echoes it: without the bit that suppresses answers."""
    return bytes([asked[0] & 0x7F])


def without_superseded(messages: Sequence[EcuMessage]) -> tuple[EcuMessage, ...]:
    """Return `messages` without each "response pending" that its module followed up."""
    kept: list[EcuMessage] = []
    for message in messages:
        kept = [k for k in kept if k.source != message.source or not k.is_pending]
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


def _outcome(reply: Reply, messages: Sequence[EcuMessage], *, damaged: bool) -> Outcome:
    if any(not m.refused for m in messages):
        return Outcome.ANSWERED
    if any(m.is_pending for m in messages):
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
