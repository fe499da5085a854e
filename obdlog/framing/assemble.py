"""Lines of one reply in, one message per module out."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from obdlog.errors import FramingError
from obdlog.framing import legacy
from obdlog.framing.can import CanReassembler, HeaderlessReassembler
from obdlog.framing.hexlines import (
    Shape,
    digits,
    fits,
    guess_shape,
    parse_can_line,
    quote,
    segment,
    shape_of,
    to_bytes,
)
from obdlog.model import NEGATIVE_RESPONSE, UNKNOWN_SOURCE, Bus, EcuMessage
from obdlog.transport.base import BusProtocol

_MAX_FAULTS = 50
_LENGTH_LINE_DIGITS = 3
_ANSWER_BIT = 0x40
_SERVICES_WITH_IDENTIFIER = frozenset({0x01, 0x02, 0x05, 0x06, 0x08, 0x09, 0x22})
_LEGACY_HEADER = re.compile(r"(4[18]6B|[8C][0-9A-F]F1)([0-9A-F]{2}){3,}$")
_HEADER_LIKE = re.compile(r"4[18]6B|7E[89A-F]|18DA|[8-9A-F][0-9A-F]F1")


@dataclass(frozen=True, slots=True)
class Assembled:
    """What one reply holds.

    Parameters
    ----------
    messages
        Whole messages of all modules, in the order in which they became whole.
    faults
        A sentence for each thing that was dropped; free of control characters.
    bus
        The family the lines were read as, None when there was nothing to tell it from.
    """

    messages: tuple[EcuMessage, ...]
    faults: tuple[str, ...]
    bus: Bus | None = None


def assemble(
    lines: Sequence[str],
    protocol: BusProtocol | None,
    *,
    headers: bool = True,
    request: bytes | None = None,
) -> Assembled:
    """Return the messages in the data lines of one reply; never raises for what `lines` hold.

    Parameters
    ----------
    lines
        Data lines of a reply: no echo, no status texts.
    protocol
        The protocol in use; None tells it from the shape of the lines.
    headers
        Whether the adapter was told to print headers. Where it was and prints none all the
        same, answers to `request` are recognised, with an unknown source.
    request
        The payload that was asked, to recognise its answers without headers.

    Messages are not filtered: whether one answers the request is the caller's question.
    """
    kept = [line.strip() for line in lines if line.strip()]
    shape = shape_of(protocol) if protocol is not None else None
    if headers and kept:
        if shape is None:
            shape = guess_shape(kept)
        if _headers_missing(kept, shape, request):
            headers = False
    if not headers:
        legacy_bus = protocol is not None and protocol.bus is Bus.LEGACY
        return _without_headers(kept, protocol, legacy_bus=legacy_bus)
    if shape is None:
        return _bounded([], [_unknown(line) for line in kept], None)
    if shape in {Shape.CAN_11, Shape.CAN_29}:
        return _can(kept, shape)
    return _legacy(kept, shape)


def _bounded(messages: Iterable[EcuMessage], faults: list[str], bus: Bus | None) -> Assembled:
    if len(faults) > _MAX_FAULTS:
        faults = [*faults[:_MAX_FAULTS], f"and {len(faults) - _MAX_FAULTS} more"]
    return Assembled(tuple(messages), tuple(faults), bus)


def _unknown(line: str) -> str:
    text = line.replace(" ", "").upper()
    if _LEGACY_HEADER.match(text):
        return f"the checksum is wrong: {quote(line)}"
    return f"unknown form: {quote(line)}"


def _can(lines: list[str], shape: Shape) -> Assembled:
    reassembler = CanReassembler()
    for line in lines:
        try:
            frame = parse_can_line(line, shape)
        except FramingError as error:
            reassembler.faults.append(str(error))
        else:
            reassembler.add(frame)
    reassembler.finish()
    return _bounded(reassembler.messages, reassembler.faults, Bus.CAN)


def _legacy(lines: list[str], shape: Shape) -> Assembled:
    parse = legacy.parse_crc_message if shape is Shape.CRC else legacy.parse_sum_message
    messages: list[EcuMessage] = []
    faults: list[str] = []
    for line in lines:
        try:
            message = parse(to_bytes(digits(line), line))
        except FramingError as error:
            text = str(error)
            faults.append(text if quote(line) in text else f"{text}: {quote(line)}")
        else:
            if message is not None:
                messages.append(message)
    return _bounded(legacy.merge(messages, faults), faults, Bus.LEGACY)


def _without_headers(
    lines: list[str], protocol: BusProtocol | None, *, legacy_bus: bool
) -> Assembled:
    reassembler = HeaderlessReassembler()
    for line in lines:
        try:
            _headerless_line(line, reassembler, legacy_bus=legacy_bus)
        except FramingError as error:
            reassembler.faults.append(str(error))
    reassembler.finish()
    if legacy_bus:
        faults = reassembler.faults
        return _bounded(legacy.merge(reassembler.messages, faults), faults, Bus.LEGACY)
    numbered = any(segment(line) for line in lines)
    bus = Bus.CAN if protocol is not None or numbered else None
    return _bounded(reassembler.messages, reassembler.faults, bus)


def _headerless_line(line: str, reassembler: HeaderlessReassembler, *, legacy_bus: bool) -> None:
    if not legacy_bus:
        numbered = segment(line)
        if numbered is not None:
            number, rest = numbered
            reassembler.numbered_line(number, to_bytes(digits(rest), line))
            return
        text = digits(line)
        if len(text) == _LENGTH_LINE_DIGITS:
            reassembler.length_line(int(text, 16))
            return
    payload = to_bytes(digits(line), line)
    if not payload[0] & _ANSWER_BIT:
        raise FramingError(f"no answer begins like {quote(line)}", raw=payload)
    reassembler.messages.append(EcuMessage(UNKNOWN_SOURCE, payload))


def _headers_missing(lines: list[str], shape: Shape | None, request: bytes | None) -> bool:
    """Return whether the adapter left the headers out although it was told to print them.

    Believed only when not one line has a header, and lines are numbered or answer `request`.
    What begins like a legislated header is one that was damaged, never an answer: 41 6B and
    48 6B open J1850 and ISO 9141-2 replies and also look like answers to services 01 and 08.
    """
    if shape is not None and any(fits(line, shape) for line in lines):
        return False
    if any(segment(line) for line in lines):
        return True
    if not request:
        return False
    answers = _answers(request)
    refusal = f"{NEGATIVE_RESPONSE:02X}{request[0]:02X}"
    for line in lines:
        text = line.replace(" ", "").upper()
        if not text.startswith((*answers, refusal)) or _HEADER_LIKE.match(text):
            return False
        # The service in fourth place betrays a J1850 header, of which 41 may be the first byte.
        if shape is not Shape.CAN_11 and text[6:8] in {answers[0][:2], refusal[:2]}:
            return False
    return True


def _answers(request: bytes) -> tuple[str, ...]:
    """Return the digits with which an answer to `request` may begin."""
    service = f"{(request[0] + 0x40) & 0xFF:02X}"
    if request[0] in _SERVICES_WITH_IDENTIFIER and len(request) > 1:
        return tuple(f"{service}{identifier:02X}" for identifier in request[1:])
    return (service,)
