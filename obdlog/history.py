"""What the earlier sessions of a case say: which codes there were, and whether they were erased."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from obdlog import survey
from obdlog.case import session_files
from obdlog.model import Bus, Exchange
from obdlog.session.reader import read_session

ERASE_SERVICES = frozenset({0x04, 0x14})
"""SAE J1979 service 04, ISO 14229-1 and ISO 14230-3 service 14."""


@dataclass(frozen=True, slots=True)
class History:
    """Codes of the readings before the last accepted erase, and whether there was one."""

    before: frozenset[str] = frozenset()
    cleared: bool = False


NO_HISTORY = History()


def bus_of(exchanges: Iterable[Exchange]) -> Bus:
    """Return the bus family, told from the form of the addresses that answered."""
    sources = {m.source for e in exchanges for m in e.messages}
    return Bus.LEGACY if any(len(source) == 2 for source in sources) else Bus.CAN


def accepted_erase(exchange: Exchange) -> bool:
    """Return whether `exchange` is an erase that at least one module accepted."""
    return exchange.request.service in ERASE_SERVICES and bool(exchange.positive())


def split_at_erase(
    exchanges: Sequence[Exchange],
) -> tuple[tuple[Exchange, ...], tuple[Exchange, ...]]:
    """Return the exchanges before and after the last accepted erase; all before if none."""
    last = max((i for i, e in enumerate(exchanges) if accepted_erase(e)), default=None)
    if last is None:
        return tuple(exchanges), ()
    return tuple(exchanges[:last]), tuple(exchanges[last + 1 :])


def history_of(exchanges: Sequence[Exchange]) -> History:
    """Return the history that a case's exchanges, in order, tell."""
    before, _ = split_at_erase(exchanges)
    codes = {c.code for m in survey.survey_codes(before, bus_of(before)) for c in m.codes}
    return History(frozenset(codes), len(before) < len(exchanges))


def history_of_case(folder: Path) -> History:
    """Return the history that the sessions in `folder` tell; none where there is no folder.

    Raises
    ------
    SessionFileError
        A session cannot be read.
    """
    if not folder.is_dir():
        return NO_HISTORY
    exchanges: list[Exchange] = []
    for path in session_files(folder):
        exchanges += [e for e in read_session(path).exchanges if e.request.service not in _POLLED]
    return history_of(exchanges)


_POLLED = frozenset({0x01})
"""Road tests are long and hold no codes."""
