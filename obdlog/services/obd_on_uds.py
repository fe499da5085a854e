"""The services of SAE J1979 carried by service 22 of ISO 14229-1, as SAE J1979-2 does it; pure.

Current data stand under identifiers F4xx, on-board test results under F6xx and vehicle
information under F8xx, xx being the PID, monitor or information type of SAE J1979. So a request
of services 01, 06 and 09 can be put in the newer words, and the answer back in the older ones.

References
----------
SAE J1979-2 and ISO 14229-1, service 22 (from memory); see ``docs/obd-on-uds.md``.
"""

from __future__ import annotations

from dataclasses import replace

from obdlog.errors import DecodeError
from obdlog.model import NEGATIVE_RESPONSE, EcuMessage, Exchange
from obdlog.services.layout import split_items
from obdlog.services.onboard_tests import with_monitor_repeated
from obdlog.services.vehicle_info import with_item_count
from obdlog.tables import signals

SERVICE, REPLY = 0x22, 0x62

CURRENT_DATA, ONBOARD_TESTS, VEHICLE_INFO = 0x01, 0x06, 0x09

FAMILIES = {CURRENT_DATA: 0xF4, ONBOARD_TESTS: 0xF6, VEHICLE_INFO: 0xF8}
"""Service of SAE J1979 → first byte of the identifiers that took its place."""

_SERVICES = {family: service for service, family in FAMILIES.items()}

MOST_IDENTIFIERS = 3
"""Identifiers of current data in one request: with them it just fits one CAN frame."""


def uds_requests(payload: bytes) -> tuple[bytes, ...]:
    """Return the requests of service 22 that ask what a request of SAE J1979 asks.

    Those of other services, and one without identifier, come back as they are.
    """
    family = FAMILIES.get(payload[0]) if payload else None
    if family is None or len(payload) < 2:
        return (payload,)
    most = MOST_IDENTIFIERS if payload[0] == CURRENT_DATA else 1
    return tuple(
        bytes([SERVICE, *(byte for low in payload[at : at + most] for byte in (family, low))])
        for at in range(1, len(payload), most)
    )


def classic_request(payload: bytes) -> bytes:
    """Return the request of SAE J1979 that asks the same; another request as it is."""
    service = _SERVICES.get(payload[1]) if payload[:1] == bytes([SERVICE]) and payload[1:] else None
    families = payload[1::2]
    if service is None or len(payload) % 2 == 0 or families != payload[1:2] * len(families):
        return payload
    return bytes([service]) + payload[2::2]


def classic_payload(request: bytes, reply: bytes) -> bytes:
    """Return `reply` to a request of service 22 as SAE J1979 would have worded it.

    What does not answer such a request, or cannot be told apart, comes back as it is.
    """
    classic = classic_request(request)
    if classic == request:
        return reply
    if reply[:2] == bytes([NEGATIVE_RESPONSE, SERVICE]):
        return bytes([NEGATIVE_RESPONSE, classic[0]]) + reply[2:]
    if reply[:1] != bytes([REPLY]) or len(reply) < 4 or reply[1] != FAMILIES[classic[0]]:
        return reply
    head, data = bytes([classic[0] + 0x40]), reply[3:]
    if classic[0] == ONBOARD_TESTS:
        return head + with_monitor_repeated(reply[2], data)
    if classic[0] == VEHICLE_INFO:
        return head + reply[2:3] + with_item_count(reply[2], data)
    asked = [int.from_bytes(request[at : at + 2], "big") for at in range(1, len(request), 2)]
    try:
        items = split_items(reply[1:], _lengths, asked, id_bytes=2)
    except DecodeError:
        return reply
    if any(identifier >> 8 != FAMILIES[CURRENT_DATA] for identifier, _ in items):
        return reply
    return head + b"".join(bytes([identifier & 0xFF]) + found for identifier, found in items)


def classic_exchange(exchange: Exchange) -> Exchange:
    """Return `exchange` in the words of SAE J1979 where it has any, else as it is."""
    request = exchange.request
    classic = classic_request(request.payload)
    if classic == request.payload:
        return exchange
    return replace(
        exchange,
        request=replace(request, payload=classic),
        messages=tuple(
            EcuMessage(m.source, classic_payload(request.payload, m.payload), m.after_s)
            for m in exchange.messages
        ),
    )


def _lengths(identifier: int) -> tuple[int, ...]:
    known = identifier >> 8 == FAMILIES[CURRENT_DATA]
    return signals.lengths(identifier & 0xFF) if known else ()
