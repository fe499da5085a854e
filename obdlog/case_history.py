"""What the session files of a case folder tell: codes, erases, the work done, the vehicle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from obdlog import identity
from obdlog.case import session_files
from obdlog.errors import SessionFileError
from obdlog.history import NO_HISTORY, SERVICES, History, bus_of, history_of
from obdlog.model import NO_WORK, Exchange, Work
from obdlog.services.obd_on_uds import FAMILIES, VEHICLE_INFO, classic_exchange
from obdlog.session.format import ExchangeRecord, SessionHeader, exchange_from_record
from obdlog.session.reader import iter_records

_WANTED = (
    *(f"{service:02X}" for service in sorted((*SERVICES, VEHICLE_INFO))),
    f"22{FAMILIES[VEHICLE_INFO]:02X}",
)
"""How requests about codes and identity begin; the last is that of cars after SAE J1979-2."""


@dataclass(frozen=True, slots=True)
class CaseRecord:
    """What earlier sessions of a case say; `vins` are the vehicles they read, in order."""

    history: History = NO_HISTORY
    work: Work = NO_WORK
    vins: tuple[str, ...] = ()


NO_RECORD = CaseRecord()


def read_case_record(folder: Path, warn: Callable[[str], None]) -> CaseRecord:
    """Return what the sessions in `folder` tell; nothing where there is no folder.

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
        return NO_RECORD
    exchanges: list[Exchange] = []
    works: list[Work] = []
    vins: list[str] = []
    for path in session_files(folder):
        try:
            header, asked = read_asking(path, lambda ask: ask.startswith(_WANTED))
        except SessionFileError as error:
            warn(f"{path.name} is left out of the history: {error}")
            continue
        exchanges += asked
        works.append(header.work)
        vin = identity.vin_of(asked, bus_of(asked))
        vins += [vin] if vin else []
    return CaseRecord(history_of(exchanges), Work.merged(works), tuple(dict.fromkeys(vins)))


def read_asking(path: Path, wanted: Callable[[str], bool]) -> tuple[SessionHeader, list[Exchange]]:
    """Return the header of a session, and those of its exchanges that ask what is `wanted`.

    All others are passed over unread: of a road test hardly any is about codes. Those of
    SAE J1979-2 come in the words of SAE J1979.

    Parameters
    ----------
    wanted
        Takes a request in upper-case hexadecimal.

    Raises
    ------
    SessionFileError
        The session cannot be read.
    """
    header = SessionHeader(version=1)
    found = []
    for record in iter_records(path):
        if isinstance(record, SessionHeader):
            header = record
        elif isinstance(record, ExchangeRecord) and wanted(record.ask.upper()):
            try:
                found.append(classic_exchange(exchange_from_record(record)))
            except ValueError:
                # No hexadecimal: the session's own commands say so.
                continue
    return header, found
