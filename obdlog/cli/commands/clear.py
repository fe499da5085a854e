"""``obdlog clear``."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from obdlog.addresses import titled
from obdlog.case import CaseFacts, load_case_facts
from obdlog.case_history import NO_RECORD, read_case_record
from obdlog.cli import after_key_cycle, screen
from obdlog.cli.erasing import Before, clear
from obdlog.cli.every_module import Wanted
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import (
    CaseOption,
    ExtendedSessionOption,
    JsonOption,
    LinkOption,
    ModuleMapOption,
    ReplacedOption,
    SearchAgainOption,
    UnpluggedOption,
)
from obdlog.cli.road import resolve_link, tell_warning, utc_now, work_of
from obdlog.erase.result import Erasure
from obdlog.errors import RefusedError
from obdlog.model import Work

WORD = "erase"


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
    every: Annotated[
        bool,
        typer.Option(
            "--every-module",
            help="Erase also every module beyond the legislated ones that was found and read.",
        ),
    ] = False,
    module: Annotated[
        list[str] | None,
        typer.Option(
            "--module",
            metavar="ADDRESS|NAME",
            help="Erase this module alone, by its address or its name in a map; repeat for more.",
        ),
    ] = None,
    module_map: ModuleMapOption = None,
    extended_session: ExtendedSessionOption = False,
    search_again: SearchAgainOption = False,
    key_cycled: Annotated[
        bool,
        typer.Option(
            "--after-key-cycle",
            help="Erase nothing: read again, compare with the evidence in --case, and say which "
            "lamps should be out.",
        ),
    ] = False,
) -> None:
    """Save all that clearing destroys, ask, erase once, read back, and say what comes next.

    The evidence goes to the case folder; without --case a new folder is made here.
    """
    from obdlog.transport.registry import open_transport

    wanted = Wanted.of(
        module, module_map, every=every, extended=extended_session, again=search_again
    )
    if key_cycled:
        _after_key_cycle(link, case, wanted, json=json)
        return
    facts = load_case_facts(case) if case else CaseFacts()
    record = read_case_record(case, tell_warning) if case else NO_RECORD
    work = Work.merged([record.work, work_of(facts, unplugged, replaced)])
    url = resolve_link(link)
    transport = open_transport(url, progress=screen.progress)
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
            confirm=_tell_cautions if yes else _ask_user,
            wanted=wanted,
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


def _after_key_cycle(link: str | None, case: Path | None, wanted: Wanted, *, json: bool) -> None:
    """Read again and compare, erasing nothing."""
    if case is None:
        raise typer.BadParameter("--after-key-cycle goes with --case, which holds the evidence")
    document = after_key_cycle.read_again(link, case, wanted)
    if json:
        screen.print_json(document)
    else:
        after_key_cycle.show(document)


def _tell_cautions(before: Before) -> bool:
    """Say on stderr what to know, where the erase goes beyond the legislated modules."""
    if before.modules:
        screen.tell("Beforehand:")
        screen.bullet(before.cautions, stderr=True)
    return True


def _ask_user(before: Before) -> bool:
    """Show on stderr what will be lost and have the user type the word."""
    screen.tell("The evidence is saved. Codes now stored:")
    screen.bullet(before.found or ["none"], stderr=True)
    for module, why in (before.skipped or {}).items():
        screen.tell(f"Not erased: {titled(module.name, module.response)}, {why}.")
    screen.tell("\nErasing destroys, in every module that accepts it:")
    screen.bullet(before.lost, stderr=True)
    screen.tell("\nBefore you go on:")
    screen.bullet(before.cautions, stderr=True)
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
    """Return the contract's exit code: refused, then trouble, then what is not known.

    A module that was wanted and left alone, because its evidence is not complete, counts as
    refused: not all that was asked for was done.
    """
    if any(m.accepted is False or not m.sent for m in erasure.modules):
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
                titled(m["name"], m["address"]),
                answer[m["accepted"]] if m["sent"] else "not sent",
                "not read" if m["before"] is None else ", ".join(m["before"]) or "none",
                "not read" if m["after"] is None else ", ".join(m["after"]) or "none",
            )
            for m in document["modules"]
        ),
    )
    screen.say("What comes next:")
    screen.bullet(document["next_steps"])
