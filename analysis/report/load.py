"""A case folder to the material of its report.

Which session is "before" and which "after" is told by content, not by name; see
`analysis.report.sides`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analysis.compare import CaseSide, Comparison, compare
from analysis.compare.model import Document
from analysis.data import SessionData
from analysis.findings import Finding
from analysis.load import load
from analysis.report import sides
from analysis.report.case import CaseFile, CaseMaterial, Equipment
from analysis.report.scan import Scanned, scan
from analysis.report.sides import Asked, Part, answers, divide
from analysis.strays import without_strays
from obdlog.case import FACTS_FILE, CaseFacts, load_case_facts, session_files
from obdlog.errors import InputFileError, SessionFileError
from obdlog.history import accepted_erase, lists_codes
from obdlog.model import Exchange, Work
from obdlog.module_map import CASE_FILE, case_modules
from obdlog.modules import Module

FEWEST_DRIVE_READINGS = 20
"""Fewer polled answers than this are not a drive."""

Check = Callable[[SessionData, CaseFacts], Sequence[Finding]]


def load_case(
    folder: Path | str,
    *,
    checks: Check | None = None,
    generated_at: datetime | None = None,
    title: str = "Repair hand-over",
    software: str = "",
) -> CaseMaterial:
    """Return the material of the case in `folder`.

    A session that cannot be read is named in the material's warnings; the rest is reported.

    Parameters
    ----------
    checks
        Judges a drive; by default all checks with the case's facts.
    generated_at
        Time of the report, by default now.

    Raises
    ------
    InputFileError
        The folder cannot be read, holds no session, or ``case.toml`` is not valid.
    """
    folder = Path(folder)
    facts = load_case_facts(folder)
    warnings: list[str] = []
    scanned = list(_readable(session_files(folder), warnings))
    if not scanned:
        why = f": {warnings[0]}" if warnings else ""
        raise InputFileError(f"{folder} holds no session that can be read{why}", path=folder)
    work = _work(facts, scanned)
    judge = checks or _all_checks
    modules = _modules(folder, warnings)
    names = {m.response: m for m in modules}
    first, second, erased = divide(scanned)
    wiped = sides.erased_modules(scanned)
    drive = _drive(first, warnings)
    before = _side(first, sides.codes_before(first, work, names), drive, facts, judge, names)
    after = CaseSide()
    if second.sessions:
        codes = sides.codes_after(second, work, before.codes, erased=wiped, names=names)
        drive = _drive(second, warnings, but=first)
        after = _side(second, codes, drive, facts, judge, names)
    return CaseMaterial(
        generated_at=generated_at or datetime.now(UTC),
        title=title,
        before=before,
        after=after,
        vehicle=sides.vehicle_of(scanned, names),
        tests_before=sides.named(sides.tests_of(first), names),
        tests_after=sides.named(sides.tests_of(second), names),
        vehicle_facts={**_header_facts(scanned), **facts.vehicle},
        work=work,
        notes=facts.notes,
        operator=facts.operator,
        place=facts.place,
        odometer_km=facts.odometer_km,
        erased_at=erased,
        erases_unanswered=sides.unanswered_erases(scanned),
        comparison=compare(before, after, work, erased=bool(erased), erased_modules=wiped or None)
        if second.sessions
        else None,
        known_modules=modules,
        erased_modules=wiped,
        searched=sides.searched(scanned),
        equipment=_equipment(scanned, software),
        files=tuple(_files(folder, scanned)),
        warnings=tuple(warnings),
    )


def compare_paths(before: Path, after: Path, *, checks: Check | None = None) -> Comparison:
    """Return the comparison of two sessions; either may be a case folder.

    Of a session in which codes were erased, only what lies before the last erase counts as before
    and only what lies after it as after; of a case folder, the side of that name.

    Raises
    ------
    InputFileError
        One of them cannot be read.
    """
    judge = checks or _all_checks
    earlier, first, erased_first = _side_of(before, judge)
    later, second, erased_second = _side_of(
        after, judge, after=True, earlier=earlier.codes, erased=erased_first
    )
    # Either path gives the side of its erase that is away from the other: the erase lies between.
    erased = erased_first | erased_second
    work = Work.merged([first, second])
    return compare(earlier, later, work, erased=bool(erased), erased_modules=erased or None)


def _side_of(
    path: Path,
    judge: Check,
    *,
    after: bool = False,
    earlier: Document | None = None,
    erased: frozenset[str] = frozenset(),
) -> tuple[CaseSide, Work, frozenset[str]]:
    """Return a side, the work noted there, and which modules accepted an erase there."""
    if path.is_dir():
        case = load_case(path, checks=judge)
        later = case.after if case.comparison is not None else case.before
        return (later if after else case.before), case.work, case.erased_modules
    session = scan(path, [])
    facts = load_case_facts(path.parent)
    work = _work(facts, [session])
    names = {m.response: m for m in _modules(path.parent, [])}
    first, second, _ = divide([session])
    wiped = sides.erased_modules([session])
    part = second if after and second.sessions else first
    if after:
        codes = sides.codes_after(part, work, earlier, erased=erased | wiped, names=names)
    else:
        codes = sides.codes_before(part, work, names)
    return _side(part, codes, _drive(part, []), facts, judge, names), work, wiped


def _modules(folder: Path, warnings: list[str]) -> tuple[Module, ...]:
    """Return what the case's module map knows; a map that cannot be read is named."""
    try:
        return case_modules(folder)
    except InputFileError as error:
        warnings.append(f"{error}; modules are called by their addresses")
        return ()


def _readable(paths: Sequence[Path], warnings: list[str]) -> Iterator[Scanned]:
    for path in paths:
        try:
            yield scan(path, warnings)
        except SessionFileError as error:
            warnings.append(f"{path.name} is left out: {error}")


def _side(
    part: Part,
    codes: Document | None,
    drive: SessionData | None,
    facts: CaseFacts,
    judge: Check,
    names: sides.Names,
) -> CaseSide:
    ordered = _in_order(part, part.read, drive)
    late = None
    if drive is not None and ordered is not None:
        late = sides.read_after(part, _place_of(drive, part))
    return CaseSide(
        codes,
        sides.named(sides.readiness_of(part), names),
        drive,
        judge(drive, facts) if drive is not None else (),
        read_after_drive=ordered,
        permanent_read=sides.permanent_read(part),
        seen_earlier=sides.seen_earlier(part),
        own_tests=sides.own_tests(part),
        read_late=late,
    )


def _in_order(part: Part, read: Asked | None, drive: SessionData | None) -> bool | None:
    """Return True if the codes were read in a session after that of the drive.

    One adapter holds one conversation, and a case numbers its sessions as they begin.
    """
    if read is None or drive is None:
        return None
    return True if part.sessions.index(read.session) > _place_of(drive, part) else None


def _place_of(drive: SessionData, part: Part) -> int:
    return max(n for n, s in enumerate(part.sessions) if s.path == drive.path)


def _drive(part: Part, warnings: list[str], but: Part | None = None) -> SessionData | None:
    """Return the longest drive of a side; one on both sides of an erase belongs to the first."""
    taken = but.sessions if but else ()
    longest: SessionData | None = None
    for session in part.sessions:
        if session.polled < FEWEST_DRIVE_READINGS or session in taken:
            continue
        try:
            data, left_out = without_strays(load(session.path))
        except SessionFileError as error:
            warnings.append(f"{session.path.name} is left out: {error}")
            continue
        if left_out:
            warnings.append(f"{session.path.name}: {left_out}")
        # One drive is held at a time: a case may hold many long ones.
        if (data.has("RPM") or data.has("VSS")) and (
            longest is None or data.seconds > longest.seconds
        ):
            longest = data
    return longest


def _all_checks(data: SessionData, facts: CaseFacts) -> Sequence[Finding]:
    from dataclasses import fields

    from analysis.checks import run_checks
    from analysis.facts import VehicleFacts

    known = {f.name for f in fields(VehicleFacts)}
    stated = {name: value for name, value in facts.vehicle.items() if name in known}
    return run_checks(data, VehicleFacts.from_session(data, stated), overrides=facts.ranges)


def _work(facts: CaseFacts, scanned: Sequence[Scanned]) -> Work:
    return Work.merged([facts.work, *(session.header.work for session in scanned)])


def _header_facts(scanned: Sequence[Scanned]) -> dict[str, Any]:
    merged: dict[str, Any] = {}
    for session in scanned:
        merged |= {
            key: value
            for key, value in session.header.vehicle.items()
            if isinstance(value, (str, int, float, bool))
        }
    return merged


def _equipment(scanned: Sequence[Scanned], software: str) -> Equipment:
    def each(texts: Sequence[str]) -> str:
        return ", ".join(dict.fromkeys(text for text in texts if text))

    voltages = [s.voltage_v for s in scanned if s.voltage_v is not None]
    return Equipment(
        adapter=each([s.identity for s in scanned]),
        protocol=each([s.header.protocol for s in scanned]),
        link=each([s.header.link for s in scanned]),
        software=software or each([s.header.software for s in scanned]),
        voltage_v=voltages[-1] if voltages else None,
    )


def _files(folder: Path, scanned: Sequence[Scanned]) -> Sequence[CaseFile]:
    holds = {session.path: _holds(session) for session in scanned}
    stated = (folder / FACTS_FILE, folder / CASE_FILE)
    paths = [p for p in stated if p.exists()] + list(session_files(folder))
    return [_file(path, holds.get(path, _other(path))) for path in paths]


def _file(path: Path, holds: str) -> CaseFile:
    size_bytes = 0
    try:
        size_bytes = path.stat().st_size
        return CaseFile(path.name, size_bytes, _sha256(path), holds)
    except OSError:
        return CaseFile(path.name, size_bytes, "", "could not be read")


def _other(path: Path) -> str:
    stated = {FACTS_FILE: "facts stated by the user", CASE_FILE: "map of the modules"}
    return stated.get(path.name, "could not be read")


def _holds(session: Scanned) -> str:
    kinds: tuple[tuple[str, Callable[[Exchange], bool]], ...] = (
        ("codes", lambda e: lists_codes(e) and bool(e.positive())),
        ("erase", accepted_erase),
        ("on-board tests", lambda e: answers(e, sides.TESTS)),
        ("vehicle identity", sides.identifies),
    )
    found = [words for words, holds in kinds if any(map(holds, session.exchanges))]
    if any(answers(e, *sides.MONITORS) for e in session.exchanges):
        found.insert(0, "readiness")
    if session.polled >= FEWEST_DRIVE_READINGS:
        found.append("drive")
    return ", ".join(found) or "adapter only"


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
