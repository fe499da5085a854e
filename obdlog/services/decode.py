"""Replies as the JSON objects of the ``decode`` command, whatever their service."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from obdlog.addresses import on_older_bus
from obdlog.errors import DecodeError, ObdlogError
from obdlog.model import NEGATIVE_RESPONSE, UNKNOWN_SOURCE, Bus, EcuMessage
from obdlog.services import current_data, freeze_frame, identifiers
from obdlog.services.asked import not_repeated
from obdlog.services.layout import MAX_PAYLOAD
from obdlog.services.objects import DECODERS, Asked, JsonObject, fill_refusal
from obdlog.tables.decode import EMPTY, Context

MAX_LINES = 2000
MAX_LINE = 600
MAX_CONTEXT = 64


def decode_payload(
    reply: bytes,
    request: bytes | None = None,
    bus: Bus = Bus.CAN,
    context: Sequence[bytes] = (),
    source: str | None = None,
) -> JsonObject:
    """Return the decoded `reply` as a JSON object; a fault in it is its ``error`` text.

    Keys ``request``, ``reply``, ``service``, ``source`` and ``error`` are always there;
    ``readings``, ``codes``, ``tests``, ``info`` and ``refusal`` only where they apply. A reply
    can be decoded and still have an ``error``: what was read stands beside what is wrong with it.
    `context` holds earlier replies of the same module that change the meaning of this one (PIDs
    4F, 50, 13, 1D of services 01, 02 or 22).
    """
    result: JsonObject = {
        "request": request.hex().upper() if request else None,
        "reply": reply[:MAX_PAYLOAD].hex().upper(),
        "service": None,
        "source": source,
        "error": None,
    }
    try:
        if not reply:
            raise DecodeError("the reply is empty")
        if len(reply) > MAX_PAYLOAD:
            raise DecodeError(f"the reply is longer than {MAX_PAYLOAD} bytes")
        service = _service_of(reply)
        result["service"] = f"{service:02X}"
        asked = Asked(request or b"", bus, _gather(context))
        if reply[0] == NEGATIVE_RESPONSE:
            fill_refusal(reply, asked, result)
        elif reply[0] in DECODERS:
            DECODERS[reply[0]](reply, asked, result)
        else:
            raise DecodeError(f"replies of service {service:02X} are not decoded")
        _compare(service, reply, asked, result)
    except DecodeError as error:
        result["error"] = str(error)
    return result


def _service_of(reply: bytes) -> int:
    if reply[0] == NEGATIVE_RESPONSE:
        if len(reply) < 2:
            raise DecodeError("a negative response has 3 bytes; this one is cut short")
        return reply[1]
    if not reply[0] & 0x40:
        raise DecodeError(f"{reply[0]:02X} begins no reply; is this a request?")
    return reply[0] - 0x40


def _gather(replies: Sequence[bytes]) -> Context:
    context = EMPTY
    for reply in replies:
        split = _SPLITTERS.get(reply[0]) if reply else None
        if split is None or (reply[:1] == b"\x62" and reply[1:2] != b"\xf4"):
            continue  # no other service says anything about the meaning of readings
        try:
            for pid, data in split(reply, context):
                context = context.updated(pid, data)
        except DecodeError as error:
            raise DecodeError(f"context {reply[:8].hex().upper()}: {error}") from error
    return context


def _frozen(reply: bytes, context: Context) -> Iterator[tuple[int, bytes]]:
    for pid, _frame, data in freeze_frame.split_freeze_frame(reply, context=context):
        yield pid, data


_SPLITTERS: dict[int, Callable[[bytes, Context], Iterable[tuple[int, bytes]]]] = {
    current_data.REPLY: lambda reply, context: current_data.split_current_data(
        reply, context=context
    ),
    freeze_frame.REPLY: _frozen,
    identifiers.REPLY: lambda reply, _context: identifiers.split_identifiers(reply),
}
"""How each reply that can carry PIDs 4F, 50, 13 and 1D is split, by its first byte."""


def _compare(service: int, reply: bytes, asked: Asked, result: JsonObject) -> None:
    """Say so when the reply belongs to another request; it is decoded all the same."""
    if not asked.request or result["error"]:
        return
    if asked.request[0] != service:
        result["error"] = (
            f"the reply is one of service {service:02X}, the request of {asked.request[0]:02X}"
        )
        return
    if reply[0] != NEGATIVE_RESPONSE and (stranger := not_repeated(asked.request, reply)):
        result["error"] = stranger
        return
    wanted = asked.identifiers(service)
    if service in (0x05, 0x06, 0x09) and wanted and reply[0] != NEGATIVE_RESPONSE:
        if reply[1] != wanted[0]:
            result["error"] = f"the reply holds {reply[1]:02X}, the request asks {wanted[0]:02X}"
        return
    if service in (0x01, 0x02) and wanted and "readings" in result:
        strangers = {r["pid"] for r in result["readings"]} - {f"{pid:02X}" for pid in wanted}
        if strangers:
            result["error"] = f"the reply holds PID {', '.join(sorted(strangers))}, not asked for"
        elif service == 0x02:
            frames = {r["frame"] for r in result["readings"]} - set(asked.request[2::2])
            if frames and asked.request[2::2]:
                names = ", ".join(map(str, sorted(frames)))
                result["error"] = f"the reply holds frame {names}, not asked for"


def decode_line(entry: object) -> JsonObject:
    """Return the decoded form of one line of ``decode --batch``, never raising.

    `entry` is what the JSON line held: an object with ``reply`` (one payload, hexadecimal) or
    ``lines`` (what an adapter printed, with headers), and optionally ``id``, ``request``,
    ``bus`` and ``context``. Where several modules answered in ``lines``, the first one's message
    is the result and ``messages`` lists all of them.
    """
    identity = {"id": entry["id"]} if isinstance(entry, Mapping) and "id" in entry else {}
    try:
        if not isinstance(entry, Mapping):
            raise DecodeError("the line is not a JSON object")
        request = None if entry.get("request") is None else _hex(entry["request"], "request")
        bus = _bus(entry.get("bus"))
        context = _context(entry.get("context"))
        if entry.get("lines") is not None:
            if entry.get("reply") is not None:
                raise DecodeError("the line has both reply and lines; give one of them")
            return identity | _decode_lines(entry["lines"], request, bus, context)
        if entry.get("reply") is None:
            raise DecodeError("the line has neither reply nor lines")
        reply = _hex(entry["reply"], "reply")
        return identity | decode_payload(reply, request, bus or Bus.CAN, context)
    except ObdlogError as error:
        return identity | _failed(entry, str(error))


def _failed(entry: object, problem: str) -> JsonObject:
    """Return the result for what could not be read; hostile text is not echoed at length."""
    shown = {
        key: value[: 2 * MAX_PAYLOAD] if isinstance(value, str) else None
        for key in ("request", "reply")
        for value in [entry.get(key) if isinstance(entry, Mapping) else None]
    }
    return {**shown, "service": None, "source": None, "error": problem}


def _hex(value: object, name: str) -> bytes:
    if not isinstance(value, str):
        raise DecodeError(f"{name} is not a text of hexadecimal digits")
    if len(value) > 4 * MAX_PAYLOAD:
        raise DecodeError(f"{name} is longer than a message can be")
    digits = "".join(value.split())
    if len(digits) % 2:
        raise DecodeError(f"{name} has an odd number of hexadecimal digits")
    try:
        return bytes.fromhex(digits)
    except ValueError:
        raise DecodeError(f"{name} holds something other than hexadecimal digits") from None


def _bus(value: object) -> Bus | None:
    if value is None:
        return None
    if value in (Bus.CAN.value, Bus.LEGACY.value):
        return Bus(value)
    raise DecodeError("bus is neither can nor legacy")


def _context(value: object) -> tuple[bytes, ...]:
    if value is None:
        return ()
    if isinstance(value, str):
        value = [value]
    if not isinstance(value, list) or len(value) > MAX_CONTEXT:
        raise DecodeError(f"context is not a list of up to {MAX_CONTEXT} replies")
    return tuple(_hex(reply, "context") for reply in value)


def _decode_lines(
    value: object, request: bytes | None, bus: Bus | None, context: tuple[bytes, ...]
) -> JsonObject:
    from obdlog.framing import assemble
    from obdlog.framing.legacy import merge
    from obdlog.framing.pasted import is_tester, read_pasted

    pasted = read_pasted(_texts(value))
    request = request or pasted.request
    found = assemble(pasted.lines, None, headers=True, request=request)
    if not found.messages and request is None:
        # Without headers only an answer's own first bytes tell that it is one.
        found = assemble(pasted.lines, None, headers=True, request=_answered(pasted.lines))
    asked = [m.payload for m in found.messages if is_tester(m.source)]
    request = request or (asked[0] if asked else None)
    problems = [*pasted.remarks, *found.faults]
    answers = [m for m in found.messages if not is_tester(m.source)]
    if bus is Bus.LEGACY and all(m.source == UNKNOWN_SOURCE for m in answers):
        answers = merge(answers, problems)
    messages = _final(answers)
    if not messages:
        raise DecodeError("; ".join(problems[:3]) or "the lines hold no message")
    results = [
        decode_payload(
            message.payload,
            request,
            bus or (Bus.LEGACY if on_older_bus(message.source) else Bus.CAN),
            (*context, *_said_beside(message, messages)),
            None if message.source == UNKNOWN_SOURCE else message.source,
        )
        for message in messages
    ]
    first = dict(results[0])
    if len(results) > 1:
        first["messages"] = results
    if problems:
        first["error"] = first["error"] or "; ".join(problems[:3])
    return first


def _said_beside(message: EcuMessage, messages: Sequence[EcuMessage]) -> list[bytes]:
    """Return what the same module says in other messages of scales and sensor places."""
    return [
        other.payload
        for other in messages
        if other is not message
        and other.source == message.source != UNKNOWN_SOURCE
        and other.payload[:1] == bytes([current_data.REPLY])
        and other.payload[1:2] in (b"\x13", b"\x1d", b"\x4f", b"\x50")
    ][:MAX_CONTEXT]


def _texts(value: object) -> list[str]:
    lines = value.splitlines() if isinstance(value, str) else value
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        raise DecodeError("lines is not a list of texts")
    if len(lines) > MAX_LINES or any(len(line) > MAX_LINE for line in lines):
        raise DecodeError(
            f"lines holds more than {MAX_LINES} lines or {MAX_LINE} characters in one"
        )
    return lines


def _answered(lines: Sequence[str]) -> bytes | None:
    """Return the request that the first of `lines` would answer, None where it is no answer."""
    try:
        payload = bytes.fromhex(lines[0])
    except (IndexError, ValueError):
        return None
    if payload[:1] == bytes([NEGATIVE_RESPONSE]):
        return payload[1:2] or None
    if not payload or payload[0] not in DECODERS:
        return None
    return bytes([payload[0] - 0x40]) + payload[1:2]


def _final(messages: Sequence[EcuMessage]) -> list[EcuMessage]:
    """Return the messages, answers before refusals.

    "Response pending" of modules that answered after all is left out.
    """
    pending = [m for m in messages if m.is_pending]
    answered = {m.source for m in messages if m not in pending}
    kept = [m for m in messages if m not in pending or m.source not in answered]
    return sorted(kept, key=lambda message: message.refused)
