"""What modules say of themselves beyond service 09: service 22 F1xx, and 1A of ISO 14230-3."""

from __future__ import annotations

from collections.abc import Iterable

from obdlog.errors import DecodeError
from obdlog.model import Exchange
from obdlog.services import identification
from obdlog.services.identification import Item, parse_identification

_SERVICES = frozenset({identification.BY_IDENTIFIER, identification.OLDER_IDENTIFICATION})
_ONE_IDENTIFIER = 3
_FAMILY = 0xF1


def survey_identification(exchanges: Iterable[Exchange]) -> dict[str, tuple[Item, ...]]:
    """Return per module its identification by identifier; the last answer counts.

    Several identifiers in one request are left out: how long each is, only the maker defines.
    """
    found: dict[str, dict[str, Item]] = {}
    for exchange in exchanges:
        request = exchange.request.payload
        if request[0] not in _SERVICES or len(request) > _ONE_IDENTIFIER:
            continue
        for message in exchange.positive():
            try:
                item = parse_identification(message.payload)
            except DecodeError:
                continue
            wanted = request[0] == identification.OLDER_IDENTIFICATION
            if wanted or message.payload[1] == _FAMILY:
                found.setdefault(message.source, {})[item.identifier] = item
    return {
        address: tuple(item for _, item in sorted(items.items()) if item.data)
        for address, items in sorted(found.items())
    }
