"""The history that the session files of a case folder tell."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from obdlog.case import session_files
from obdlog.errors import SessionFileError
from obdlog.history import NO_HISTORY, SERVICES, History, history_of
from obdlog.model import Exchange
from obdlog.session.format import ExchangeRecord, exchange_from_record
from obdlog.session.reader import iter_records

_WANTED = frozenset(f"{service:02X}" for service in SERVICES)


def history_of_case(folder: Path, warn: Callable[[str], None]) -> History:
    """Return the history that the sessions in `folder` tell; none where there is no folder.

    Parameters
    ----------
    warn
        Called with a sentence for each session that cannot be read; the others count.

    Raises
    ------
    InputFileError
        The folder cannot be read.
    """
    if not folder.is_dir():
        return NO_HISTORY
    exchanges: list[Exchange] = []
    for path in session_files(folder):
        try:
            exchanges += _questions(path)
        except SessionFileError as error:
            warn(f"{path.name} is left out of the history: {error}")
    return history_of(exchanges)


def _questions(path: Path) -> list[Exchange]:
    """Return the exchanges about codes alone: a road test is long and holds few."""
    found = []
    for record in iter_records(path):
        if isinstance(record, ExchangeRecord) and record.ask[:2].upper() in _WANTED:
            try:
                found.append(exchange_from_record(record))
            except ValueError:
                # No hexadecimal: the session's own commands say so.
                continue
    return found
