"""The whole clearing over a connected road: evidence, the user's word, erase, read-back."""

from __future__ import annotations

import contextlib
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from obdlog import documents, survey
from obdlog.addresses import titled
from obdlog.case import CaseFacts, next_session_path, write_case_facts
from obdlog.case_history import NO_RECORD, CaseRecord
from obdlog.cli import every_module, screen
from obdlog.cli.every_module import Wanted
from obdlog.cli.road import Road, note_adapter, other_vehicle, session_header
from obdlog.client import Client
from obdlog.erase.cautions import cautions_for, lost
from obdlog.erase.evidence import (
    ask_evidence,
    left_out,
    require_complete,
    require_engine_off,
    verify_evidence,
)
from obdlog.erase.orders import EraseOrder, generic_order, module_order
from obdlog.erase.result import PERHAPS_SENT, Erasure, next_steps
from obdlog.erase.sending import send_erase
from obdlog.errors import RefusedError, SessionFileError
from obdlog.model import Work
from obdlog.module_reading import read_in_session
from obdlog.modules import Module
from obdlog.session.writer import SessionWriter
from obdlog.survey import ModuleCodes
from obdlog.transport.base import Transport
from obdlog.transport.recording import RecordingTransport

NOTHING_ERASED = "Stopped before the erase: nothing was erased."
NO_MODULES = Wanted()


@dataclass(frozen=True, slots=True)
class Before:
    """What stands before an erase: the evidence, and what is going to be erased.

    `modules` are erased each by itself, those of `in_session` in their extended session;
    `generic` says whether all legislated ones are by one request. `skipped` are modules that
    were wanted and are left alone, and why.
    """

    evidence: Path
    codes: tuple[ModuleCodes, ...]
    modules: tuple[Module, ...] = ()
    skipped: dict[Module, str] | None = None
    generic: bool = True
    in_session: tuple[Module, ...] = ()

    @property
    def found(self) -> list[str]:
        """The codes that are going to be erased, by module, those erased by one request first."""
        names = {m.response: m.name for m in self.modules}
        asked = [m for m in self.codes if m.codes and (self.generic or m.address in names)]
        return [
            f"{titled(names.get(m.address, m.name), m.address)}: "
            + ", ".join(dict.fromkeys(c.code for c in m.codes))
            for m in sorted(asked, key=lambda m: m.address in names)
        ]

    @property
    def lost(self) -> tuple[str, ...]:
        """What the erase destroys."""
        return lost(generic=self.generic, modules=bool(self.modules))

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to know before it."""
        return cautions_for(self.codes, self.modules, generic=self.generic)


@dataclass(frozen=True, slots=True)
class Cleared:
    """What a clearing left behind."""

    evidence: Path
    after_file: Path
    erasure: Erasure

    def document(self) -> dict[str, Any]:
        """Return the JSON document."""
        steps = next_steps(self.erasure, shlex.quote(str(self.evidence.parent)))
        return documents.clear_document(self.evidence, self.after_file, self.erasure.modules, steps)


def clear(
    transport: Transport,
    folder: Path,
    *,
    work: Work,
    facts: CaseFacts,
    stated_off: bool,
    confirm: Callable[[Before], bool],
    record: CaseRecord = NO_RECORD,
    wanted: Wanted = NO_MODULES,
) -> Cleared:
    """Run the whole clearing over a connected `transport`; files go to `folder`.

    Parameters
    ----------
    record
        What earlier sessions of the case say; another vehicle than theirs is not erased.
    confirm
        Called with what was found once the evidence is safe; False leaves all as it is.
    wanted
        Modules beyond the legislated ones; where single ones are named, only those are erased.

    Raises
    ------
    RefusedError
        The engine runs, the evidence is not complete, or the user did not confirm. Nothing was
        erased.
    SessionFileError
        The evidence could not be written. Nothing was erased.
    """
    try:
        before = _save_evidence(
            transport,
            folder,
            work=work,
            facts=facts,
            stated_off=stated_off,
            record=record,
            wanted=wanted,
        )
        confirmed = confirm(before)
    except KeyboardInterrupt:
        screen.tell(NOTHING_ERASED)
        raise
    if not confirmed:
        raise RefusedError(
            f"not confirmed, nothing was erased; the evidence stays in {before.evidence}"
        )
    after_path = next_session_path(folder, "after-clear")
    session = SessionWriter(after_path, session_header(transport, facts, work), transport.clock)
    erasure: Erasure | None = None
    try:
        note_adapter(transport, session)
        screen.progress("erasing")
        erasure = send_erase(
            transport,
            session,
            before.codes,
            _orders(transport, before),
            skipped=before.skipped,
            stated_off=stated_off,
            extended=wanted.extended,
            every_report=wanted.every,
        )
    finally:
        if erasure is None:  # stopped on the way: first of all say whether it had gone out
            screen.tell(PERHAPS_SENT if session.counts["marks"] else NOTHING_ERASED)
        with contextlib.suppress(SessionFileError):
            session.end(_end_of(erasure))
        session.close()
    return Cleared(before.evidence, after_path, erasure)


def _orders(transport: Transport, before: Before) -> Sequence[EraseOrder]:
    """Return the erases: single modules first, the one that sets readiness back last."""
    orders = [module_order(m, in_session=m in before.in_session) for m in before.modules]
    return [*orders, generic_order(transport.generation)] if before.generic else orders


def _save_evidence(
    transport: Transport,
    folder: Path,
    *,
    work: Work,
    facts: CaseFacts,
    stated_off: bool,
    record: CaseRecord,
    wanted: Wanted,
) -> Before:
    """Write all that clearing destroys to disk, check it, and return what was found."""
    require_engine_off(Client(transport), stated_off=stated_off)
    evidence_path = next_session_path(folder, "before-clear")
    write_case_facts(folder, replace(facts, work=work))
    modules: tuple[Module, ...] = ()
    with SessionWriter(
        evidence_path, session_header(transport, facts, work), transport.clock
    ) as evidence:
        note_adapter(transport, evidence)
        client = Client(RecordingTransport(transport, evidence), screen.progress)
        ask_evidence(client)
        if wanted:
            road = Road(client, transport, evidence, facts, record, work)
            chosen = every_module.choose(road, wanted, folder)
            modules = every_module.read(road, chosen, wanted, folder, legislated=wanted.every)
        evidence.end("evidence before clearing")
    if other := other_vehicle(record, client):
        raise RefusedError(
            f"{other} Nothing was erased", hint="Give each vehicle a case of its own with --case."
        )
    verify_evidence(evidence_path, client.exchanges)
    generic = wanted.every or not wanted
    require_complete(client.exchanges, client.bus)
    skipped = left_out(client.exchanges, client.bus, modules)
    if skipped and not wanted.every:
        reason = "; ".join(f"{titled(m.name, m.response)}: {why}" for m, why in skipped.items())
        raise RefusedError(
            f"the evidence is not complete ({reason}); nothing was erased",
            hint="Try again; where the module asks for it, with --extended-session.",
        )
    return Before(
        evidence_path,
        survey.survey_codes(client.exchanges, client.bus),
        tuple(m for m in modules if m not in skipped),
        skipped,
        generic=generic,
        in_session=tuple(m for m in modules if read_in_session(client.exchanges, m)),
    )


def _end_of(erasure: Erasure | None) -> str:
    """Return how the session of an erase ended."""
    if erasure is None:
        return "stopped before the result was known"
    return "erased and read back" if erasure.known else "erase sent, result not known"
