"""Current data and support bitmaps by module."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from obdlog.errors import DecodeError
from obdlog.model import UNKNOWN_SOURCE, Bus, EcuMessage, Exchange, Reading
from obdlog.services import obd_on_uds, scales
from obdlog.services.current_data import parse_current_data, split_current_data
from obdlog.services.onboard_tests import parse_supported_monitors
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.survey.answers import classic
from obdlog.tables.decode import EMPTY, Context

BITMAP_PIDS = frozenset(range(0x00, 0x100, 0x20))
_MONITOR_PIDS = frozenset({0x01, 0x41})


def _current_data(exchanges: Iterable[Exchange]) -> Iterable[tuple[Exchange, EcuMessage]]:
    for exchange in classic(exchanges):
        if exchange.request.service == 0x01:
            for message in exchange.positive():
                yield exchange, message


def latest_data(exchanges: Sequence[Exchange]) -> dict[str, dict[int, bytes]]:
    """Return per module the last data bytes of each service 01 PID."""
    found: dict[str, dict[int, bytes]] = {}
    context = scales.contexts(exchanges)
    merged: Exchange | None = None
    for exchange, message in _current_data(exchanges):
        try:
            items = split_current_data(
                message.payload,
                exchange.request.payload[1:],
                context.get(message.source, EMPTY),
            )
        except DecodeError:
            continue
        again = exchange is merged and message.source == UNKNOWN_SOURCE
        merged = exchange
        held = found.setdefault(message.source, {})
        for pid, data in items:
            if again and pid in _MONITOR_PIDS and pid in held:
                held[pid] = merged_monitors(held[pid], data)
            else:
                held[pid] = data
    return found


def merged_monitors(one: bytes, other: bytes) -> bytes:
    """Return PID 01 or 41 of two modules that cannot be told apart (no headers) as one.

    The lamp is on, a monitor is supported and not complete where either says so; the codes add
    up. Layout: SAE J1979. Of two kinds of ignition the module with more monitors counts.
    """
    if len(one) != 4 or len(other) != 4:
        return other
    lamp = (one[0] | other[0]) & 0x80
    count = min(0x7F, (one[0] & 0x7F) + (other[0] & 0x7F))
    if (one[1] ^ other[1]) & 0x08:
        return bytes([lamp | count]) + max(one, other, key=lambda data: data[2].bit_count())[1:]
    waiting = (one[1] & one[1] << 4 | other[1] & other[1] << 4) & 0x70
    supported = (one[1] | other[1]) & 0x0F
    late = one[2] & one[3] | other[2] & other[3]
    return bytes([lamp | count, waiting | supported, one[2] | other[2], late])


def latest_readings(exchanges: Sequence[Exchange], bus: Bus) -> dict[str, dict[str, Reading]]:
    """Return per module the last reading of each signal (service 01)."""
    context = scales.contexts(exchanges)
    found: dict[str, dict[str, Reading]] = {}
    for exchange, message in _current_data(exchanges):
        try:
            readings = parse_current_data(
                message.payload,
                context.get(message.source, Context()),
                bus,
                exchange.request.payload[1:],
            )
        except DecodeError:
            continue
        found.setdefault(message.source, {}).update({r.signal: r for r in readings})
    return found


def supported(
    exchanges: Iterable[Exchange], service: int = 0x01, bus: Bus = Bus.CAN
) -> dict[str, frozenset[int]]:
    """Return per module the PIDs (or monitor ids, info types) its bitmaps announce."""
    found: dict[str, set[int]] = {}
    for exchange in classic(exchanges):
        request = exchange.request.payload
        if request[0] != service or len(request) < 2 or request[1] not in BITMAP_PIDS:
            continue
        for message in exchange.positive():
            pids = _announced(message.payload, request, bus)
            if pids:
                found.setdefault(message.source, set()).update(pids)
    return {source: frozenset(pids) for source, pids in found.items()}


def _announced(payload: bytes, request: bytes, bus: Bus) -> Sequence[int]:
    """Return the ids in one bitmap reply; the layouts are those of SAE J1979."""
    if request[0] == 0x06:
        try:
            return parse_supported_monitors(payload, bus)
        except DecodeError:
            return ()
    if request[0] in (0x05, 0x09):
        # One byte may stand in between: the sensor of service 05, the item count of service 09.
        body = payload[2:]
        return supported_pids(request[1], body[-4:]) if len(body) in (4, 5) else ()
    # Service 01 repeats (id, four bytes); service 02 has the frame number in between.
    step, skip = (6, 2) if request[0] == 0x02 else (5, 1)
    pids: list[int] = []
    for at in range(1, len(payload) - step + 1, step):
        if payload[at] in BITMAP_PIDS:
            pids += supported_pids(payload[at], payload[at + skip : at + skip + 4])
    return pids


def further_data(exchanges: Iterable[Exchange]) -> dict[str, dict[str, bytes]]:
    """Return per module the bytes behind identifiers F5xx; what they mean is not public."""
    found: dict[str, dict[str, bytes]] = {}
    for exchange in exchanges:
        asked = exchange.request.payload
        if asked[:2] != bytes([obd_on_uds.SERVICE, obd_on_uds.FURTHER]) or len(asked) != 3:
            continue
        for message in exchange.positive():
            if asked[2] % BITMAP_STEP and message.payload[1:3] == asked[1:3]:
                data = found.setdefault(message.source, {})
                data[asked[1:3].hex().upper()] = message.payload[3:]
    return dict(sorted(found.items()))
