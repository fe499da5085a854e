"""What earlier readings of a car say: which codes there were, and whether they were erased; pure.

An accepted erase parts what was asked into stretches. *Before* is everything up to the last
erase, stretch by stretch, so that no code that was ever there vanishes because a later stretch
does not show it any more; *after* is what follows the last erase.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from obdlog import survey
from obdlog.addresses import on_older_bus
from obdlog.model import Bus, Exchange

ERASE_SERVICES = frozenset({0x04, 0x14})
"""SAE J1979 service 04, ISO 14229-1 and ISO 14230-3 service 14."""

SERVICES = ERASE_SERVICES | frozenset(survey.CODE_SERVICES)
"""The services whose exchanges `history_of` looks at; nothing else need be kept for it."""


@dataclass(frozen=True, slots=True)
class History:
    """Codes of the readings before the last accepted erase, and whether there was one."""

    before: frozenset[str] = frozenset()
    cleared: bool = False


NO_HISTORY = History()


@dataclass(frozen=True, slots=True)
class Split:
    """Where erases part a list of exchanges.

    Attributes
    ----------
    before
        The stretches up to the last accepted erase, in order; the whole list where none was.
    erases
        The places of the accepted erases, in order.
    after
        What follows the last of them, None where none was.
    """

    before: tuple[slice, ...]
    erases: tuple[int, ...] = ()
    after: slice | None = None


def bus_of(exchanges: Iterable[Exchange]) -> Bus:
    """Return the bus family, told from the form of the addresses that answered."""
    sources = {m.source for e in exchanges for m in e.messages}
    return Bus.LEGACY if any(map(on_older_bus, sources)) else Bus.CAN


def accepted_erase(exchange: Exchange) -> bool:
    """Return whether `exchange` is an erase that at least one module accepted."""
    return exchange.request.service in ERASE_SERVICES and bool(exchange.positive())


def split_at_erases(exchanges: Sequence[Exchange]) -> Split:
    """Return where accepted erases part `exchanges`; the erases belong to no stretch."""
    erases = tuple(place for place, e in enumerate(exchanges) if accepted_erase(e))
    starts = (0, *(place + 1 for place in erases))
    ends = (*erases, len(exchanges))
    stretches = tuple(slice(start, end) for start, end in zip(starts, ends, strict=True))
    return Split(stretches[:-1], erases, stretches[-1]) if erases else Split(stretches)


def history_of(exchanges: Sequence[Exchange]) -> History:
    """Return the history that a case's exchanges, in order, tell."""
    split = split_at_erases(exchanges)
    bus = bus_of(exchanges)
    # One by one: of several readings `survey` takes the last, here each of them counts.
    codes = {
        code.code
        for stretch in split.before
        for exchange in exchanges[stretch]
        if exchange.request.service in survey.CODE_SERVICES
        for module in survey.survey_codes([exchange], bus)
        for code in module.codes
    }
    return History(frozenset(codes), bool(split.erases))
