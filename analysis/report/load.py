"""A case folder to the material of its report.

Which session is "before" and which "after" is told by content, not by name. Where codes were
erased, that is the line; otherwise the first reading of codes is before, and what follows it
after.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

from analysis.compare import CaseSide, Comparison, compare
from analysis.compare.model import Document
from analysis.compare.requirements import parse_time
from analysis.data import SessionData
from analysis.findings import Finding
from analysis.load import load
from analysis.report.case import CaseFile, CaseMaterial, Equipment
from obdlog.case import FACTS_FILE, CaseFacts, load_case_facts, session_files
from obdlog.errors import InputFileError, SessionFileError
from obdlog.history import History, accepted_erase, bus_of
from obdlog.model import Bus, Exchange, Work
from obdlog.session.format import (
    AdapterRecord,
    ExchangeRecord,
    ReadingRecord,
    SessionHeader,
    exchange_from_record,
)
from obdlog.session.reader import iter_records

MOST_QUESTIONS = 20_000
"""Questions other than polling that are kept of one session; no honest case has more."""

FEWEST_DRIVE_READINGS = 20
"""Fewer polled answers than this are not a drive."""

Check = Callable[[SessionData, CaseFacts], Sequence[Finding]]


class Documents(Protocol):
    """What turns exchanges into the JSON documents."""

    @property
    def codes_document(self) -> Callable[..., dict[str, Any]]:
        """Build the ``codes`` document."""
        ...

    @property
    def readiness_document(self) -> Callable[..., dict[str, Any]]:
        """Build the ``readiness`` document."""
        ...

    @property
    def vehicle_document(self) -> Callable[..., dict[str, Any]]:
        """Build the ``vehicle`` document."""
        ...

    @property
    def tests_document(self) -> Callable[..., dict[str, Any]]:
        """Build the document of on-board test results."""
        ...


@dataclass
class _Scanned:
    """One session: its questions outside polling, and what else a report needs of it."""

    path: Path
    header: SessionHeader
    exchanges: list[Exchange] = field(default_factory=list)
    polled: int = 0
    voltage_v: float | None = None
    identity: str = ""

    @property
    def bus(self) -> Bus:
        """Return the bus family of the modules that answered."""
        return bus_of(self.exchanges)

    @property
    def erased_at(self) -> int | None:
        """Return the place of the first accepted erase among the exchanges."""
        return next((n for n, e in enumerate(self.exchanges) if accepted_erase(e)), None)

    def moment(self, exchange: Exchange) -> str:
        """Return when `exchange` was asked as ISO 8601 in UTC, empty when not known."""
        started = parse_time(self.header.started)
        if started is None:
            return ""
        asked = (started + timedelta(seconds=exchange.at_s)).astimezone(UTC)
        return asked.isoformat(timespec="seconds").replace("+00:00", "Z")


@dataclass
class _Part:
    """The exchanges of one side, later ones last, and the sessions they come from."""

    exchanges: list[Exchange] = field(default_factory=list)
    sessions: list[_Scanned] = field(default_factory=list)

    def add(self, session: _Scanned, exchanges: Sequence[Exchange]) -> None:
        """Add a session's exchanges, or some of them."""
        self.exchanges += exchanges
        self.sessions.append(session)

    def asked(self, service: int, item: int | None = None) -> Exchange | None:
        """Return the last answered exchange of a service (and of a PID)."""
        return next((e for e in reversed(self.exchanges) if _answers(e, service, item)), None)


def _answers(exchange: Exchange, service: int, item: int | None = None) -> bool:
    wanted = exchange.request.service == service and bool(exchange.positive())
    return wanted and (item is None or item in exchange.request.payload[1:])


def load_case(
    folder: Path | str,
    *,
    documents: Documents | None = None,
    checks: Check | None = None,
    generated_at: datetime | None = None,
    title: str = "Repair hand-over",
    software: str = "",
) -> CaseMaterial:
    """Return the material of the case in `folder`.

    A session that cannot be read is named in the material's warnings; the rest is reported.

    Parameters
    ----------
    documents
        Builders of the JSON documents, by default the module `obdlog.documents`.
    checks
        Judges a drive; by default all checks with the case's facts.
    generated_at
        Time of the report, by default now.

    Raises
    ------
    InputFileError
        The folder cannot be read, holds no session, or ``case.toml`` is not valid.
    """
    documents = documents or _own_documents()
    folder = Path(folder)
    facts = load_case_facts(folder)
    paths = session_files(folder)
    warnings: list[str] = []
    scanned = list(_readable(paths, warnings))
    if not scanned:
        why = f": {warnings[0]}" if warnings else ""
        raise InputFileError(f"{folder} holds no session that can be read{why}", path=folder)
    work = _work(facts, scanned)
    before, after, erased = _sides(scanned)
    judge = checks or _all_checks
    sides = {
        "before": _side(before, documents, work, _drive(before, warnings), facts, judge),
        "after": CaseSide(),
    }
    if after.sessions:
        sides["after"] = _side(
            after,
            documents,
            work,
            _drive(after, warnings, but=before),
            facts,
            judge,
            earlier=sides["before"].codes,
            erased=bool(erased),
        )
    every = _Part([*before.exchanges, *after.exchanges], scanned)
    return CaseMaterial(
        generated_at=generated_at or datetime.now(UTC),
        title=title,
        before=sides["before"],
        after=sides["after"],
        vehicle=_vehicle(every, documents, scanned),
        tests_before=_tests(before, documents),
        tests_after=_tests(after, documents),
        vehicle_facts={**_header_facts(scanned), **facts.vehicle},
        work=work,
        notes=facts.notes,
        operator=facts.operator,
        place=facts.place,
        odometer_km=facts.odometer_km,
        erased_at=erased,
        comparison=compare(sides["before"], sides["after"], work) if after.sessions else None,
        equipment=_equipment(scanned, software),
        files=tuple(_files(folder, scanned)),
        warnings=tuple(warnings),
    )


def compare_paths(
    before: Path,
    after: Path,
    *,
    documents: Documents | None = None,
    checks: Check | None = None,
) -> Comparison:
    """Return the comparison of two sessions; either may be a case folder.

    Of a session in which codes were erased, only what lies before the erase counts as before and
    only what lies after it as after; of a case folder, the side of that name.

    Raises
    ------
    InputFileError
        One of them cannot be read.
    """
    documents = documents or _own_documents()
    judge = checks or _all_checks
    earlier, first = _side_of(before, documents, judge, erased_part=0)
    later, second = _side_of(after, documents, judge, erased_part=-1, earlier=earlier.codes)
    return compare(earlier, later, Work.merged([first, second]))


def _side_of(
    path: Path,
    documents: Documents,
    judge: Check,
    *,
    erased_part: int,
    earlier: Document | None = None,
) -> tuple[CaseSide, Work]:
    if path.is_dir():
        case = load_case(path, documents=documents, checks=judge)
        later = case.after if case.comparison is not None else case.before
        return (case.before if erased_part == 0 else later), case.work
    session = _scan(path)
    facts = load_case_facts(path.parent)
    work = _work(facts, [session])
    part = [p for p in _sides([session])[:2] if p.sessions][erased_part]
    drive = _drive(part, [])
    side = _side(part, documents, work, drive, facts, judge, earlier=earlier)
    return side, work


def _own_documents() -> Documents:
    from obdlog import documents

    return documents


def _readable(paths: Sequence[Path], warnings: list[str]) -> Iterator[_Scanned]:
    for path in paths:
        try:
            yield _scan(path)
        except SessionFileError as error:
            warnings.append(f"{path.name} is left out: {error}")


def _scan(path: Path) -> _Scanned:
    records = iter_records(path)
    header = next(records)
    assert isinstance(header, SessionHeader)  # what `iter_records` promises
    found = _Scanned(path, header)
    for record in records:
        _take(found, record)
    return found


def _take(found: _Scanned, record: object) -> None:
    match record:
        case ExchangeRecord(purpose="poll"):
            found.polled += len(record.got)
        case ExchangeRecord():
            if len(found.exchanges) < MOST_QUESTIONS:
                try:
                    found.exchanges.append(exchange_from_record(record))
                except ValueError:
                    return
        case ReadingRecord():
            found.polled += 1
        case AdapterRecord():
            found.voltage_v = record.voltage if record.voltage is not None else found.voltage_v
            found.identity = record.identity or found.identity


def _sides(scanned: Sequence[_Scanned]) -> tuple[_Part, _Part, str]:
    """Return what lies before and after the work, and when codes were erased."""
    before, after, erased = _Part(), _Part(), ""
    line = next((n for n, s in enumerate(scanned) if s.erased_at is not None), None)
    if line is not None:
        place = scanned[line].erased_at or 0
        session = scanned[line]
        erased = session.moment(session.exchanges[place])
        for earlier in scanned[:line]:
            before.add(earlier, earlier.exchanges)
        before.add(session, session.exchanges[:place])
        after.add(session, session.exchanges[place + 1 :])
        for later in scanned[line + 1 :]:
            after.add(later, later.exchanges)
        return before, after, erased
    for session in scanned:
        part = after if before.asked(0x03) is not None else before
        part.add(session, session.exchanges)
    return before, after, erased


def _side(
    part: _Part,
    documents: Documents,
    work: Work,
    drive: SessionData | None,
    facts: CaseFacts,
    judge: Check,
    *,
    earlier: Document | None = None,
    erased: bool = False,
) -> CaseSide:
    session = part.sessions[-1]
    codes = readiness = None
    if (read := part.asked(0x03)) is not None:
        owner = next(s for s in reversed(part.sessions) if read in s.exchanges)
        codes = documents.codes_document(
            part.exchanges,
            owner.bus,
            work=work,
            voltage_v=owner.voltage_v,
            protocol=owner.header.protocol,
            read_at=owner.moment(read),
            history=History(frozenset(_code_texts(earlier)), erased),
        )
    if part.asked(0x01, 0x01) is not None:
        readiness = documents.readiness_document(part.exchanges, session.bus)
    return CaseSide(
        codes,
        readiness,
        drive,
        judge(drive, facts) if drive is not None else (),
        read_after_drive=_in_order(part, read, drive),
    )


def _in_order(part: _Part, read: Exchange | None, drive: SessionData | None) -> bool | None:
    """Return True if the codes were read in a session after that of the drive.

    One adapter holds one conversation, and a case numbers its sessions as they begin.
    """
    if read is None or drive is None:
        return None
    reading = max(n for n, s in enumerate(part.sessions) if read in s.exchanges)
    driving = max(n for n, s in enumerate(part.sessions) if s.path == drive.path)
    return True if reading > driving else None


def _code_texts(codes: Document | None) -> Iterator[str]:
    for module in (codes or {}).get("modules", ()):
        yield from (str(code["code"]) for code in module["codes"])


def _drive(part: _Part, warnings: list[str], but: _Part | None = None) -> SessionData | None:
    """Return the longest drive of a side; one on both sides of an erase belongs to the first."""
    taken = {id(s) for s in but.sessions} if but else set()
    drives = []
    for session in part.sessions:
        if session.polled < FEWEST_DRIVE_READINGS or id(session) in taken:
            continue
        try:
            data = load(session.path)
        except SessionFileError as error:
            warnings.append(f"{session.path.name} is left out: {error}")
            continue
        if data.has("RPM") or data.has("VSS"):
            drives.append(data)
    return max(drives, key=lambda d: d.seconds, default=None)


def _all_checks(data: SessionData, facts: CaseFacts) -> Sequence[Finding]:
    from dataclasses import fields

    from analysis.checks import run_checks
    from analysis.facts import VehicleFacts

    known = {f.name for f in fields(VehicleFacts)}
    stated = {name: value for name, value in facts.vehicle.items() if name in known}
    return run_checks(data, VehicleFacts.from_session(data, stated), overrides=facts.ranges)


def _vehicle(
    every: _Part, documents: Documents, scanned: Sequence[_Scanned]
) -> dict[str, Any] | None:
    if every.asked(0x09) is None:
        return None
    owner = next(s for s in scanned if any(_answers(e, 0x09) for e in s.exchanges))
    return documents.vehicle_document(every.exchanges, owner.bus, owner.header.protocol)


def _tests(part: _Part, documents: Documents) -> dict[str, Any] | None:
    if part.asked(0x06) is None:
        return None
    return documents.tests_document(part.exchanges, part.sessions[-1].bus)


def _work(facts: CaseFacts, scanned: Sequence[_Scanned]) -> Work:
    return Work.merged([facts.work, *(session.header.work for session in scanned)])


def _header_facts(scanned: Sequence[_Scanned]) -> dict[str, Any]:
    merged: dict[str, Any] = {}
    for session in scanned:
        merged |= {
            key: value
            for key, value in session.header.vehicle.items()
            if isinstance(value, (str, int, float, bool))
        }
    return merged


def _equipment(scanned: Sequence[_Scanned], software: str) -> Equipment:
    def first(texts: Sequence[str]) -> str:
        return ", ".join(dict.fromkeys(text for text in texts if text))

    voltages = [s.voltage_v for s in scanned if s.voltage_v is not None]
    return Equipment(
        adapter=first([s.identity for s in scanned]),
        protocol=first([s.header.protocol for s in scanned]),
        link=first([s.header.link for s in scanned]),
        software=software or first([s.header.software for s in scanned]),
        voltage_v=voltages[-1] if voltages else None,
    )


def _files(folder: Path, scanned: Sequence[_Scanned]) -> Sequence[CaseFile]:
    holds = {session.path: _holds(session) for session in scanned}
    paths = [p for p in (folder / FACTS_FILE,) if p.exists()] + list(session_files(folder))
    return [
        CaseFile(path.name, path.stat().st_size, _sha256(path), holds.get(path, _other(path)))
        for path in paths
    ]


def _other(path: Path) -> str:
    return "facts stated by the user" if path.name == FACTS_FILE else "could not be read"


def _holds(session: _Scanned) -> str:
    kinds = (
        (0x03, "codes"),
        (0x04, "erase"),
        (0x06, "on-board tests"),
        (0x09, "vehicle identity"),
    )
    found = [
        words for service, words in kinds if any(_answers(e, service) for e in session.exchanges)
    ]
    if any(_answers(e, 0x01, 0x01) for e in session.exchanges):
        found.insert(0, "readiness")
    if session.polled >= FEWEST_DRIVE_READINGS:
        found.append("drive")
    return ", ".join(found) or "adapter only"


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
