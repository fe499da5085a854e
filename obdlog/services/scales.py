"""What a module says of its own scales and sensor places, which other readings of it need."""

from __future__ import annotations

from collections.abc import Iterable

from obdlog.errors import DecodeError
from obdlog.model import UNKNOWN_SOURCE, Exchange
from obdlog.services.current_data import split_current_data
from obdlog.services.obd_on_uds import SERVICE as BY_IDENTIFIER
from obdlog.services.obd_on_uds import classic_exchange
from obdlog.tables.decode import EMPTY, Context

SCALE_PIDS = (0x13, 0x1D, 0x4F, 0x50)
"""What other readings of the same module need: sensor places and full scales (SAE J1979)."""


def contexts(exchanges: Iterable[Exchange]) -> dict[str, Context]:
    """Return per module what its own replies say about scales and sensor layout.

    The facts are PIDs 13, 1D, 4F and 50 of SAE J1979.
    """
    found: dict[str, Context] = {}
    for exchange in exchanges:
        learn(found, exchange)
    return found


def learn(contexts: dict[str, Context], exchange: Exchange) -> None:
    """Add to `contexts`, by module, what one more exchange says about scales and layout.

    Modules that cannot be told apart (no headers) share one context; there a full scale of zero,
    which only means "the standard one", does not undo what another of them said.
    """
    if exchange.request.service == BY_IDENTIFIER:
        exchange = classic_exchange(exchange)
    if exchange.request.service != 0x01:
        return
    asked = exchange.request.payload[1:]
    for message in exchange.positive():
        if not any(pid in message.payload for pid in SCALE_PIDS):
            continue
        context = contexts.get(message.source, EMPTY)
        try:
            items = split_current_data(message.payload, asked, context)
        except DecodeError:
            continue
        for pid, data in items:
            if pid not in SCALE_PIDS:
                continue
            if message.source == UNKNOWN_SOURCE:
                held = context.known(pid) or bytes(len(data))
                data = bytes(new or old for new, old in zip(data, held, strict=True))
            context = context.updated(pid, data)
        contexts[message.source] = context
