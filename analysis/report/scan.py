"""A session file to what a report needs of it: its questions; a drive's polling is only counted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, timedelta
from functools import lru_cache
from pathlib import Path

from analysis.compare.sides import parse_time
from obdlog.errors import SessionFileError
from obdlog.history import accepted_erase
from obdlog.model import Exchange
from obdlog.services.obd_on_uds import classic_exchange, classic_request
from obdlog.services.registry import ERASE_SERVICES, MODULE_CODE_SERVICES
from obdlog.session.format import (
    AdapterRecord,
    ExchangeRecord,
    ReadingRecord,
    SessionHeader,
    exchange_from_record,
)
from obdlog.session.reader import iter_records

MOST_SIGNALS = 20_000
"""Different questions of service 01 that are kept of one session; no car has more PIDs."""

MOST_QUESTIONS = 200_000
"""Different questions of all services; a bound for hostile files."""

MOST_WARNINGS = 5

QUESTIONS = frozenset(
    {"identify", "codes", "readiness", "onboard-tests", "capability", "safety", "erase"}
)
"""Purposes with which this program asks service 01 once; any other text says nothing."""

QUESTION_PIDS = frozenset(
    {*range(0x00, 0x100, 0x20), 0x01, 0x41, 0x21, 0x30, 0x31, 0x4D, 0x4E, 0x13, 0x1D, 0x4F, 0x50}
)
"""Bitmaps, monitors, counters, sensor map and scales (SAE J1979): asked for what they say of the
car, not to follow a reading."""

_CURRENT_DATA = "01"
_BY_IDENTIFIER = "22F4"
_COMPARED: dict[str, int | None] = {
    _CURRENT_DATA: 4, **dict.fromkeys(
        ("02", "03", "07", "0A", *(f"{service:02X}" for service in sorted(MODULE_CODE_SERVICES)))
    )
}  # fmt: skip
"""Hex digits of a reply that make it another answer by service, None for all of them."""

_ERASES = frozenset(f"{service:02X}" for service in ERASE_SERVICES)


@dataclass(eq=False)
class Scanned:
    """One session.

    Attributes
    ----------
    exchanges
        Its questions in the order in which they were last asked; of the same question with the
        same modules answering only the last between two erases.
    polled
        How many replies or readings belong to a drive.
    voltage_v, identity
        What the adapter measured [V], and what it says it is.
    """

    path: Path
    header: SessionHeader
    exchanges: tuple[Exchange, ...] = ()
    polled: int = 0
    voltage_v: float | None = None
    identity: str = ""

    def moment(self, exchange: Exchange) -> str:
        """Return when `exchange` was asked as ISO 8601 in UTC, empty when not known."""
        started = parse_time(self.header.started)
        if started is None:
            return ""
        asked = (started + timedelta(seconds=exchange.at_s)).astimezone(UTC)
        return asked.isoformat(timespec="seconds").replace("+00:00", "Z")


def scan(path: Path, warnings: list[str]) -> Scanned:
    """Return the questions of the session at `path`; what is left out goes to `warnings`.

    Raises
    ------
    SessionFileError
        It cannot be read.
    """
    notes: list[str] = []
    records = iter_records(path, notes)
    header = next(records)
    if not isinstance(header, SessionHeader):
        raise SessionFileError(f"{path} does not begin with its header", path=path, line=1)
    found = Scanned(path, header)
    kept = _Questions()
    for record in records:
        match record:
            case ExchangeRecord():
                if _is_polling(record):
                    found.polled += len(record.got)
                if record.purpose != "poll":
                    kept.add(record)
            case ReadingRecord():
                found.polled += 1
            case AdapterRecord():
                found.voltage_v = record.voltage if record.voltage is not None else found.voltage_v
                found.identity = record.identity or found.identity
    found.exchanges = tuple(kept.exchanges(notes))
    warnings += [f"{path.name}: {note}" for note in notes[:MOST_WARNINGS]]
    if len(notes) > MOST_WARNINGS:
        warnings.append(f"{path.name}: {len(notes) - MOST_WARNINGS} more such notes")
    return found


def _is_polling(record: ExchangeRecord) -> bool:
    """Return whether an exchange follows readings, told by what it asks where nothing says so."""
    if record.purpose == "poll":
        return True
    return record.purpose not in QUESTIONS and _asks_readings(record.ask)


@lru_cache(maxsize=1024)
def _asks_readings(ask: str) -> bool:
    try:
        payload = bytes.fromhex(ask)
    except ValueError:
        return False
    asked = classic_request(payload) or payload
    return asked[:1] == b"\x01" and not QUESTION_PIDS.issuperset(asked[1:])


class _Questions:
    """Keeps the last of every question between two erases, so that a long log stays small."""

    def __init__(self) -> None:
        self._done: list[ExchangeRecord] = []
        self._stretch: dict[tuple[object, ...], ExchangeRecord] = {}
        self._left_out = 0

    def add(self, record: ExchangeRecord) -> None:
        """Take a record in, in the file's order."""
        # A value is no part of the question; which codes there were is.
        length = _COMPARED.get(record.ask[:2], 6)
        answers = tuple((got.source, got.payload[:length]) for got in record.got)
        key = (record.ask, record.to, record.outcome, answers)
        if self._stretch.pop(key, None) is None and self._full(record):
            self._left_out += 1
            return
        self._stretch[key] = record
        if record.ask[:2] in _ERASES and _accepted(record):
            self._done += self._stretch.values()
            self._stretch.clear()

    def _full(self, record: ExchangeRecord) -> bool:
        held = len(self._done) + len(self._stretch)
        follows = record.ask.startswith((_CURRENT_DATA, _BY_IDENTIFIER))
        return held >= (MOST_SIGNALS if follows else MOST_QUESTIONS)

    def exchanges(self, notes: list[str]) -> Iterable[Exchange]:
        """Yield what was kept; what was not goes to `notes`."""
        if self._left_out:
            notes.append(
                f"{self._left_out} exchanges are left out: more different questions than any car "
                "has answers to"
            )
        for record in (*self._done, *self._stretch.values()):
            try:
                yield classic_exchange(exchange_from_record(record))
            except ValueError as error:
                notes.append(f"an exchange at {record.at:.3f} s is left out: {error}")


def _accepted(record: ExchangeRecord) -> bool:
    try:
        return accepted_erase(exchange_from_record(record))
    except ValueError:
        return False
