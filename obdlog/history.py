"""What earlier readings of a car say: which codes there were, and whether they were erased; pure.

An accepted erase parts what was asked into stretches. *Before* is everything up to the last
erase, stretch by stretch, so that no code that was ever there vanishes because a later stretch
does not show it any more; *after* is what follows the last erase. Modules can be erased one by
one, so what came back is told by module.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from obdlog import survey
from obdlog.addresses import on_older_bus
from obdlog.model import UNKNOWN_SOURCE, Bus, Exchange
from obdlog.services import trouble_reports
from obdlog.services.code_reply import CONFIRMED, FAILING_NOW, PENDING, PERMANENT
from obdlog.services.registry import ERASE_SERVICES, MODULE_CODE_SERVICES

SERVICES = ERASE_SERVICES | MODULE_CODE_SERVICES | frozenset(survey.CODE_SERVICES)
"""The services whose exchanges `history_of` looks at; nothing else need be kept for it."""

_THERE = frozenset({CONFIRMED, PENDING, PERMANENT, FAILING_NOW})


@dataclass(frozen=True, slots=True)
class History:
    """Codes of the readings before the last accepted erase, and whether there was one.

    `erased` are, by module, the codes that it listed before its own last erase; empty where only
    the whole is known.
    """

    before: frozenset[str] = frozenset()
    cleared: bool = False
    erased: Mapping[str, frozenset[str]] = field(default_factory=dict, compare=False)

    def came_back(self, address: str, code: str) -> bool:
        """Return whether a code that the module lists now was erased before.

        Where modules could not be told apart (no headers), what any of them listed counts.
        """
        if not self.erased:
            return self.cleared and code in self.before
        nobody: frozenset[str] = frozenset()
        if address == UNKNOWN_SOURCE:
            return any(code in codes for codes in self.erased.values())
        return code in self.erased.get(address, nobody) | self.erased.get(UNKNOWN_SOURCE, nobody)


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


def lists_codes(exchange: Exchange) -> bool:
    """Return whether `exchange` asks for codes of any kind."""
    return exchange.request.service in survey.CODE_SERVICES.keys() | MODULE_CODE_SERVICES


def lists_stored_codes(exchange: Exchange) -> bool:
    """Return whether `exchange` holds the stored codes of the legislated modules.

    On a car after SAE J1979-2 that is report 42 of service 19 with the bit "confirmed".
    """
    asked = exchange.request.payload
    report = asked[:2] == _FUNCTIONAL_REPORT and len(asked) > 3
    confirmed = report and bool(asked[3] & trouble_reports.CONFIRMED_MASK)
    return (asked[0] == 0x03 or confirmed) and bool(exchange.positive())


def lists_permanent_codes(exchange: Exchange) -> bool:
    """Return whether `exchange` holds the permanent codes of the legislated modules."""
    asked = exchange.request.payload
    wanted = asked[0] == 0x0A or asked[:2] == _PERMANENT_REPORT
    return wanted and bool(exchange.positive())


_FUNCTIONAL_REPORT = bytes([trouble_reports.SERVICE, trouble_reports.FUNCTIONAL])
_PERMANENT_REPORT = bytes([trouble_reports.SERVICE, trouble_reports.PERMANENT])


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
    last = split.erases[-1] if split.erases else len(exchanges)
    bus = bus_of(exchanges)
    before: set[str] = set()
    listed: dict[str, set[str]] = {}
    erased: dict[str, frozenset[str]] = {}
    for place, exchange in enumerate(exchanges):
        if accepted_erase(exchange):
            for message in exchange.positive():
                erased[message.source] = frozenset(listed.get(message.source, ()))
        elif lists_codes(exchange):
            # One by one: of several readings `survey` takes the last, here each of them counts.
            for module in survey.survey_codes([exchange], bus):
                codes = {c.code for c in module.codes if not _THERE.isdisjoint(c.status)}
                listed.setdefault(module.address, set()).update(codes)
                if place < last:
                    before |= codes
    return History(frozenset(before), bool(split.erases), erased)
