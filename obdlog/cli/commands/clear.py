"""``obdlog clear``."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import typer

from obdlog import documents, survey
from obdlog.case import CaseFacts, load_case_facts, next_session_path, write_case_facts
from obdlog.case_history import NO_RECORD, CaseRecord, read_case_record
from obdlog.cli import screen
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import (
    CaseOption,
    JsonOption,
    LinkOption,
    ReplacedOption,
    UnpluggedOption,
)
from obdlog.cli.road import (
    note_adapter,
    other_vehicle,
    resolve_link,
    session_header,
    tell_warning,
    utc_now,
    work_of,
)
from obdlog.client import Client
from obdlog.erase.sending import (
    CAUTIONS,
    LOST_BY_CLEARING,
    PERHAPS_SENT,
    Erasure,
    ask_evidence,
    next_steps,
    require_complete,
    require_engine_off,
    send_erase,
    verify_evidence,
)
from obdlog.errors import RefusedError, SessionFileError
from obdlog.model import Work
from obdlog.session.writer import SessionWriter
from obdlog.survey import ModuleCodes
from obdlog.transport.base import Transport
from obdlog.transport.recording import RecordingTransport
from obdlog.transport.registry import open_transport

WORD = "erase"
NOTHING_ERASED = "Stopped before the erase: nothing was erased."


@dataclass(frozen=True, slots=True)
class Cleared:
    """What a clearing left behind."""

    evidence: Path
    after_file: Path
    erasure: Erasure

    def document(self) -> dict[str, Any]:
        """Return the JSON document."""
        return documents.clear_document(
            self.evidence, self.after_file, self.erasure.modules, next_steps(self.erasure)
        )


def run(
    link: LinkOption = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not ask; evidence is saved first all the same.")
    ] = False,
    engine_is_off: Annotated[
        bool,
        typer.Option("--engine-is-off", help="State it where no module reports the engine speed."),
    ] = False,
    json: JsonOption = False,
    case: CaseOption = None,
    unplugged: UnpluggedOption = None,
    replaced: ReplacedOption = None,
) -> None:
    """Save all that clearing destroys, ask, erase once, read back, and say what comes next.

    The evidence goes to the case folder; without --case a new folder is made here.
    """
    facts = load_case_facts(case) if case else CaseFacts()
    record = read_case_record(case, tell_warning) if case else NO_RECORD
    work = Work.merged([record.work, work_of(facts, unplugged, replaced)])
    url = resolve_link(link)
    transport = open_transport(url)
    try:
        screen.progress("connecting")
        transport.connect()
        if transport.kind == "playback":
            raise RefusedError("a recorded session cannot be erased")
        folder = case or Path(f"case-{utc_now().replace(':', '').replace('-', '')}")
        cleared = clear(
            transport,
            folder,
            work=work,
            facts=facts,
            stated_off=engine_is_off,
            record=record,
            confirm=(lambda _: True) if yes else _ask_user,
        )
        # Before the link is closed: what became of an erase is told whatever happens then.
        code = exit_code(cleared.erasure)
        with contextlib.suppress(BrokenPipeError):
            document = cleared.document()
            if json:
                screen.print_json(document)
            else:
                show(document)
    finally:
        transport.close()
    raise typer.Exit(code)


def clear(
    transport: Transport,
    folder: Path,
    *,
    work: Work,
    facts: CaseFacts,
    stated_off: bool,
    confirm: Callable[[tuple[ModuleCodes, ...]], bool],
    record: CaseRecord = NO_RECORD,
) -> Cleared:
    """Run the whole clearing over a connected `transport`; files go to `folder`.

    Parameters
    ----------
    record
        What earlier sessions of the case say; another vehicle than theirs is not erased.
    confirm
        Called with the codes found once the evidence is safe; False leaves all as it is.

    Raises
    ------
    RefusedError
        The engine runs, the evidence is not complete, or the user did not confirm. Nothing was
        erased.
    SessionFileError
        The evidence could not be written. Nothing was erased.
    """
    try:
        evidence_path, before = _save_evidence(
            transport, folder, work=work, facts=facts, stated_off=stated_off, record=record
        )
        confirmed = confirm(before)
    except KeyboardInterrupt:
        screen.tell(NOTHING_ERASED)
        raise
    if not confirmed:
        raise RefusedError(
            f"not confirmed, nothing was erased; the evidence stays in {evidence_path}"
        )
    after_path = next_session_path(folder, "after-clear")
    session = SessionWriter(after_path, session_header(transport, facts, work), transport.clock)
    erasure: Erasure | None = None
    try:
        note_adapter(transport, session)
        screen.progress("erasing")
        erasure = send_erase(transport, session, before, stated_off=stated_off)
    finally:
        if erasure is None:  # stopped on the way: first of all say whether it had gone out
            screen.tell(PERHAPS_SENT if session.counts["marks"] else NOTHING_ERASED)
        with contextlib.suppress(SessionFileError):
            session.end(_end_of(erasure))
        session.close()
    return Cleared(evidence_path, after_path, erasure)


def _save_evidence(
    transport: Transport,
    folder: Path,
    *,
    work: Work,
    facts: CaseFacts,
    stated_off: bool,
    record: CaseRecord,
) -> tuple[Path, tuple[ModuleCodes, ...]]:
    """Write all that clearing destroys to disk, check it, and return the file and the codes."""
    require_engine_off(Client(transport), stated_off=stated_off)
    evidence_path = next_session_path(folder, "before-clear")
    write_case_facts(folder, replace(facts, work=work))
    with SessionWriter(
        evidence_path, session_header(transport, facts, work), transport.clock
    ) as evidence:
        note_adapter(transport, evidence)
        client = Client(RecordingTransport(transport, evidence), screen.progress)
        ask_evidence(client)
        evidence.end("evidence before clearing")
    if other := other_vehicle(record, client):
        raise RefusedError(
            f"{other} Nothing was erased", hint="Give each vehicle a case of its own with --case."
        )
    verify_evidence(evidence_path, client.exchanges)
    require_complete(client.exchanges, client.bus)
    before = survey.survey_codes(client.exchanges, client.bus)
    return evidence_path, before


def _end_of(erasure: Erasure | None) -> str:
    """Return how the session of an erase ended."""
    if erasure is None:
        return "stopped before the result was known"
    return "erased and read back" if erasure.known else "erase sent, result not known"


def _ask_user(before: tuple[ModuleCodes, ...]) -> bool:
    """Show on stderr what will be lost and have the user type the word."""
    found = [f"{m.name} ({m.address}): {c.code}" for m in before for c in m.codes]
    screen.tell("The evidence is saved. Codes now stored:")
    screen.bullet(found or ["none"], stderr=True)
    screen.tell("\nErasing destroys, in every module that accepts it:")
    screen.bullet(LOST_BY_CLEARING, stderr=True)
    screen.tell("\nBefore you go on:")
    screen.bullet(CAUTIONS, stderr=True)
    if sys.stdin is None or sys.stdin.closed:
        raise RefusedError(
            "nobody is there to confirm; nothing was erased",
            hint="Run it in a terminal and type the word, or pass --yes.",
        )
    screen.tell(f'Type the word "{WORD}" to go on, anything else to leave all as it is: ')
    try:
        return input().strip().lower() == WORD
    except (EOFError, OSError, ValueError):
        return False


def exit_code(erasure: Erasure) -> int:
    """Return the contract's exit code: refused, then trouble, then what is not known."""
    if any(m.accepted is False for m in erasure.modules):
        return ExitCode.REFUSED
    if erasure.trouble is not None:
        return erasure.trouble.exit_code
    return ExitCode.DONE if erasure.known else ExitCode.SILENT


def show(document: dict[str, Any]) -> None:
    """Print a clear document."""
    screen.facts(
        {"Evidence before": document["evidence"], "Read-back after": document["read_back"]}
    )
    answer = {True: "accepted", False: "refused", None: "no answer"}
    screen.print_table(
        ("Module", "Erase", "Before", "After"),
        (
            (
                f"{m['name']} ({m['address']})",
                answer[m["accepted"]],
                ", ".join(m["before"]) or "none",
                "not read" if m["after"] is None else ", ".join(m["after"]) or "none",
            )
            for m in document["modules"]
        ),
    )
    screen.say("What comes next:")
    screen.bullet(document["next_steps"])
