"""The services of SAE J1979 as SAE J1979-2 asks and answers them; pure.

Current data stand under identifiers F4xx of service 22, on-board test results under F6xx and
vehicle information under F8xx, xx being the PID, monitor or information type of SAE J1979. So a
request of services 01, 06 and 09 can be put in the newer words, and the answer back in the older
ones. Codes have reports of service 19 instead.

References
----------
SAE J1979-2 and ISO 14229-1 (layouts good by public descriptions, all else from memory); see
``docs/obd-on-uds.md``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from obdlog.errors import DecodeError
from obdlog.model import NEGATIVE_RESPONSE, EcuMessage, Exchange
from obdlog.services.layout import split_items
from obdlog.services.onboard_tests import with_monitor_repeated
from obdlog.services.trouble_reports import (
    CONFIRMED_MASK,
    EMISSIONS_GROUP,
    PENDING_MASK,
    build_clear_group,
    build_functional_report,
    build_permanent_report,
)
from obdlog.services.vehicle_info import with_count
from obdlog.tables import signals

SERVICE, REPLY = 0x22, 0x62

CURRENT_DATA, ONBOARD_TESTS, VEHICLE_INFO = 0x01, 0x06, 0x09

FAMILIES = {CURRENT_DATA: 0xF4, ONBOARD_TESTS: 0xF6, VEHICLE_INFO: 0xF8}
"""Service of SAE J1979 → first byte of the identifiers that took its place."""

FURTHER = 0xF5
"""First byte of the identifiers F5xx, current data that SAE J1979 has no PID for."""

CODE_REQUESTS = (
    build_functional_report(CONFIRMED_MASK | PENDING_MASK),
    build_permanent_report(),
)
"""The reports of service 19 that took the place of services 03 and 07 (one for both) and 0A."""

ERASE = build_clear_group(EMISSIONS_GROUP)
"""What took the place of service 04: see `registry.changes_vehicle`."""

MOST_IDENTIFIERS = 3
"""Identifiers of current data in one request: with them it just fits one CAN frame."""

_SERVICES = {family: service for service, family in FAMILIES.items()}


def uds_requests(payload: bytes) -> tuple[bytes, ...]:
    """Return the requests of service 22 that ask what a request of SAE J1979 asks.

    Those of other services, and one without identifier, come back as they are.
    """
    family = FAMILIES.get(payload[0]) if payload else None
    if family is None or len(payload) < 2:
        return (payload,)
    most = MOST_IDENTIFIERS if payload[0] == CURRENT_DATA else 1
    lows = payload[1:]
    return tuple(
        bytes([SERVICE, *(byte for low in lows[at : at + most] for byte in (family, low))])
        for at in range(0, len(lows), most)
    )


def classic_request(payload: bytes) -> bytes | None:
    """Return the request of SAE J1979 that asks what one of service 22 asks, None without one."""
    if payload[:1] != bytes([SERVICE]) or len(payload) < 3 or len(payload) % 2 == 0:
        return None
    service = _SERVICES.get(payload[1])
    families = payload[1::2]
    if service is None or families != payload[1:2] * len(families):
        return None
    return bytes([service]) + payload[2::2]


def classic_payload(request: bytes, reply: bytes) -> bytes | None:
    """Return `reply` to a `request` of service 22 as SAE J1979 words it, None where it cannot.

    A reply to several identifiers carries no lengths: they come from the signal table.
    """
    classic = classic_request(request)
    if classic is None:
        return None
    if reply[:2] == bytes([NEGATIVE_RESPONSE, SERVICE]):
        return bytes([NEGATIVE_RESPONSE, classic[0]]) + reply[2:]
    family = FAMILIES[classic[0]]
    if reply[:2] != bytes([REPLY, family]) or len(reply) < 3 or reply[2] not in classic[1:]:
        return None
    head, low, data = bytes([classic[0] + 0x40]), reply[2], reply[3:]
    if classic[0] == ONBOARD_TESTS:
        return head + with_monitor_repeated(low, data)
    if classic[0] == VEHICLE_INFO:
        return head + bytes([low]) + with_count(low, data)
    if len(classic) == 2:
        return head + bytes([low]) + data
    items = _split(request, reply)
    if items is None or any(identifier >> 8 != family for identifier, _ in items):
        return None
    return head + b"".join(bytes([identifier & 0xFF]) + found for identifier, found in items)


def _split(request: bytes, reply: bytes) -> tuple[tuple[int, bytes], ...] | None:
    asked = [int.from_bytes(request[at : at + 2], "big") for at in range(1, len(request), 2)]
    try:
        return split_items(reply[1:], _lengths, asked, id_bytes=2)
    except DecodeError:
        return None


def _lengths(identifier: int) -> tuple[int, ...]:
    known = identifier >> 8 == FAMILIES[CURRENT_DATA]
    return signals.lengths(identifier & 0xFF) if known else ()


def classic_exchange(exchange: Exchange) -> Exchange:
    """Return `exchange` in the words of SAE J1979 where it has any, else as it is.

    A message that has none stays as it came, which no longer answers the request.
    """
    asked = exchange.request.payload
    classic = classic_request(asked)
    if classic is None:
        return exchange
    messages = tuple(
        EcuMessage(m.source, shown, m.after_s)
        if (shown := classic_payload(asked, m.payload)) is not None
        else m
        for m in exchange.messages
    )
    return replace(exchange, request=replace(exchange.request, payload=classic), messages=messages)


def joined(request: bytes, replies: Sequence[bytes]) -> bytes | None:
    """Return the positive answers of one module to the parts of a classic `request` as one.

    None where there is none.
    """
    head = bytes([request[0] + 0x40])
    bodies = [reply[1:] for reply in replies if reply[:1] == head]
    return head + b"".join(bodies) if bodies else None
