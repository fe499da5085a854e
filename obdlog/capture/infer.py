"""Which request an answer belongs to, and which one it must have had."""

from __future__ import annotations

from collections.abc import Callable

from obdlog.errors import DecodeError
from obdlog.model import NEGATIVE_RESPONSE, RESPONSE_PENDING
from obdlog.services.current_data import split_known
from obdlog.services.registry import SERVICES

_ANSWER = 0x40
_LAST_LEGISLATED = 0x0A
_BITMAP_BYTES = 5
_ITEM_BYTES = {
    0x02: 2, 0x05: 1, 0x08: 1, 0x10: 1, 0x11: 1, 0x19: 1, 0x1A: 1, 0x21: 1, 0x22: 2,
    0x27: 1, 0x28: 1, 0x29: 1, 0x2C: 1, 0x2E: 2, 0x2F: 2, 0x31: 3, 0x3B: 1, 0x3E: 1, 0x85: 1,
    0x87: 1,
}  # fmt: skip
"""Bytes behind the service that a positive answer repeats (SAE J1979, ISO 14229-1, ISO 14230-3)."""

_WITH_SUB_FUNCTION = frozenset({0x10, 0x11, 0x19, 0x27, 0x28, 0x29, 0x2C, 0x31, 0x3E, 0x85, 0x87})
_SILENT = 0x80
"""Bit of a sub-function that asks for no positive answer (ISO 14229-1)."""


def is_request(payload: bytes) -> bool:
    """Return whether `payload` begins with a service that is asked for."""
    return payload[0] in SERVICES


def is_answer(payload: bytes) -> bool:
    """Return whether `payload` begins like an answer to a known service."""
    if payload[0] == NEGATIVE_RESPONSE:
        return len(payload) == 3 and payload[1] in SERVICES
    return payload[0] >= _ANSWER and payload[0] - _ANSWER in SERVICES


def asks(payload: bytes) -> bool:
    """Return whether `payload` on an identifier of requests is one, of whatever service."""
    return not payload[0] & _ANSWER


def answers(payload: bytes) -> bool:
    """Return whether `payload` on an identifier of answers is one, of whatever service."""
    return bool(payload[0] & _ANSWER) and (payload[0] != NEGATIVE_RESPONSE or len(payload) == 3)


def is_pending(payload: bytes) -> bool:
    """Return whether `payload` promises another answer (7F service 78)."""
    return payload[0] == NEGATIVE_RESPONSE and payload[2:3] == bytes([RESPONSE_PENDING])


def is_refusal(payload: bytes) -> bool:
    """Return whether `payload` is a negative answer."""
    return payload[0] == NEGATIVE_RESPONSE


def echo_of(request: bytes, answer: bytes) -> int:
    """Return how many bytes of `request` the `answer` repeats, 0 where it answers another.

    A negative answer repeats the service alone, but says 7F before it.
    """
    service = request[0]
    if answer[0] == NEGATIVE_RESPONSE:
        return 2 if answer[1:2] == request[:1] else 0
    if answer[0] != (service + _ANSWER) & 0xFF:
        return 0
    if len(request) == 1 or len(answer) == 1:
        return 1
    if service in (0x01, 0x06, 0x09):  # up to six items in one request, answered in any number
        return 2 if answer[1] in request[1:] else 0
    if service == 0x22:
        asked = {request[at : at + 2] for at in range(1, len(request), 2)}
        return 3 if answer[1:3] in asked else 0
    count = _ITEM_BYTES.get(service, 0)
    asked_item = bytearray(request[1 : 1 + count])
    if service in _WITH_SUB_FUNCTION and asked_item:
        asked_item[0] &= ~_SILENT & 0xFF
    repeated = answer[1 : 1 + len(asked_item)]
    return 1 + len(asked_item) if repeated == bytes(asked_item) else 0


def inferred_request(answer: bytes) -> bytes:
    """Return the request that `answer` must have had, as far as it repeats it.

    What an answer does not repeat (the mask of service 19 report 02, the group of service 18)
    is left out and never made up.
    """
    if answer[0] == NEGATIVE_RESPONSE:
        return answer[1:2]
    service = answer[0] - _ANSWER
    items = _ITEMS.get(service)
    if items is not None:
        return bytes([service]) + items(answer)
    return bytes([service]) + answer[1 : 1 + _ITEM_BYTES.get(service, 0)]


def is_legislated_service(service: int) -> bool:
    """Return whether SAE J1979 sends `service` to all modules at once."""
    return 0 < service <= _LAST_LEGISLATED


def _pids(answer: bytes) -> bytes:
    try:
        items, _ = split_known(answer)
    except DecodeError:
        items = ()
    return bytes(pid for pid, _ in items[:6]) or answer[1:2]


def _monitors(answer: bytes) -> bytes:
    """Return the identifiers of bitmaps, which may be several; else the one that came first."""
    body = answer[1:]
    identifiers = body[::_BITMAP_BYTES]
    if len(body) % _BITMAP_BYTES == 0 and all(i % 0x20 == 0 for i in identifiers):
        return identifiers[:6]
    return body[:1]


_ITEMS: dict[int, Callable[[bytes], bytes]] = {0x01: _pids, 0x06: _monitors, 0x09: _monitors}
