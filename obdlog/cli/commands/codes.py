"""``obdlog codes``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import typer

from obdlog import documents, survey
from obdlog.case import CaseFacts, load_case_facts
from obdlog.cli import every_module, screen
from obdlog.cli.every_module import Wanted
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import (
    CaseOption,
    EveryModuleOption,
    ExtendedSessionOption,
    FailOnCodesOption,
    JsonOption,
    KeepWireOption,
    LinkOption,
    ModuleMapOption,
    ModuleOption,
    ReplacedOption,
    SaveOption,
    SearchAgainOption,
    Units,
    UnitsOption,
    UnpluggedOption,
)
from obdlog.cli.road import Road, open_road, work_of
from obdlog.history import accepted_erase
from obdlog.model import FUNCTIONAL, Exchange, Reading
from obdlog.modules import Module

TEXT_COLUMN = 9
"""Where what is said of a code begins, below its own line."""
MOST_CODES = 40
"""So many codes of a module are explained on screen; further ones are listed."""
MOST_RECORDS, MOST_DIGITS = 4, 48
"""Of what is stored with a code so much is shown; JSON has all."""
HOW_TO_STATE_WORK = (
    "No work was stated. Say what was unplugged or replaced (--unplugged, --replaced, or "
    "case.toml): that is what tells an after-effect from a fault."
)
NO_CODE_IS_NOT_PROOF = (
    "No code proves nothing while monitors have not run: obdlog readiness shows which have. "
    "No code plus monitors that are not complete means unknown, not repaired."
)
NOT_REACHED = (
    "Only modules that answered are listed. Airbag, brake and other modules beyond the legislated "
    "ones were not read: nothing here says that they are clean."
)

NOT_SEARCHED = (
    "Only modules that answered are listed. What sits behind a gateway, on another bus or sleeps "
    "was not read: nothing here says that it is clean."
)
NOT_NAMED = (
    "Beside the legislated modules only those that were named were asked: nothing here says that "
    "any other is clean."
)
NOT_REMEMBERED = (
    "Beside the legislated modules only those that the case remembers were asked. What sits behind "
    "a gateway, on another bus or sleeps was not read: nothing here says that it is clean."
)
_ENDS = {"named": NOT_NAMED, "remembered": NOT_REMEMBERED}


def run(
    link: LinkOption = None,
    json: JsonOption = False,
    case: CaseOption = None,
    unplugged: UnpluggedOption = None,
    replaced: ReplacedOption = None,
    units: UnitsOption = Units.METRIC,
    save: SaveOption = None,
    keep_wire: KeepWireOption = False,
    fail_on: FailOnCodesOption = None,
    every: EveryModuleOption = False,
    module: ModuleOption = None,
    module_map: ModuleMapOption = None,
    extended_session: ExtendedSessionOption = False,
    search_again: SearchAgainOption = False,
) -> None:
    """Read stored, pending and permanent codes with freeze frames; judge each with its reason.

    Say what was unplugged or replaced during the work: that is what tells an after-effect from
    a fault.
    """
    wanted = Wanted.of(
        module, module_map, every=every, extended=extended_session, again=search_again
    )
    work = work_of(load_case_facts(case) if case else CaseFacts(), unplugged, replaced)
    with open_road(
        link, step="codes", case=case, save=save, work=work, keep_wire=keep_wire
    ) as road:
        read_at = road.read_at
        chosen, modules = _read(road, wanted, case)
        transport = road.client.transport
        document = documents.codes_document(
            road.client.exchanges,
            road.client.bus,
            work=road.work,
            voltage_v=transport.voltage_v(),
            protocol=transport.protocol.name if transport.protocol else "",
            read_at=read_at,
            history=road.record.history,
            recorded_vin=road.recorded_vin,
            modules=every_module.by_response(modules),
        )
        if wanted:
            every_module.add_modules(document, road, chosen, modules)
        road.end("done")
    if json:
        screen.print_json(document)
    else:
        show(document, units)
        if not road.work and any(m["codes"] for m in document["modules"]):
            screen.say(HOW_TO_STATE_WORK)
    if fail_on and any(m["codes"] for m in document["modules"]):
        raise typer.Exit(ExitCode.FOUND)


def _read(
    road: Road, wanted: Wanted, case: Path | None
) -> tuple[every_module.Chosen, tuple[Module, ...]]:
    """Read the legislated modules, then the others that are wanted.

    Raises
    ------
    NoAnswerError
        Nothing answered at all.
    """
    chosen, modules, silent = every_module.read_all(road, wanted, case, road.client.read_codes)
    erases = _erases(road, modules)
    road.client.exchanges[:0] = erases
    if silent and not erases and not (wanted and survey.answered(road.client.exchanges)):
        raise silent
    return chosen, modules


def _erases(road: Road, modules: Sequence[Module]) -> list[Exchange]:
    """Return the accepted erases of a recording that went to all or to a module that was read.

    What is played of codes holds since then; without them an erased module would look unasked.
    """
    session = getattr(road.client.transport, "session", None)
    heard = {m.source for e in road.client.exchanges for m in e.messages}
    heard |= {m.response for m in modules}
    return [
        e
        for e in (session.exchanges if session is not None else ())
        if accepted_erase(e)
        and (e.request.target == FUNCTIONAL or any(m.source in heard for m in e.messages))
    ]


def show(document: dict[str, Any], units: Units = Units.METRIC) -> None:
    """Print a codes document."""
    screen.facts(
        {
            "Read": screen.local_time(document["read_at"]),
            "VIN": document["vehicle"]["vin"],
            "Protocol": document["vehicle"]["protocol"],
            "Voltage": _voltage(document["adapter"]["voltage"]),
        }
    )
    for module in document["modules"]:
        screen.heading(f"{every_module.title_of(module)}: {_lamp(module)}")
        if caution := every_module.caution_of(module):
            screen.say_indented(f"Caution: {caution}", 2)
        if module["error"]:
            screen.say_indented(f"Note: {module['error']}", 4, first=2)
        for note in module.get("notes", ()):
            screen.say_indented(f"Note: {note}", 4, first=2)
        if not module["codes"] and module["answered"]:
            screen.say("  No codes.")
        for code in module["codes"][:MOST_CODES]:
            _show_code(code)
        if further := module["codes"][MOST_CODES:]:
            listed = ", ".join(f"{c['code']}{_failure(c)}" for c in further)
            screen.say_indented(f"and {len(further)} more (--json has all): {listed}", 4, first=2)
        if untested := module["counts"]["not_tested"]:
            of_all = f" of {module['counts']['supported']}" if module["counts"]["supported"] else ""
            screen.say(f"  Not tested since clearing: {untested}{of_all} codes.")
        for frame in module["freeze_frames"]:
            screen.print_table(
                ("Signal", "Value"),
                ((r["label"], screen.reading_text(Reading(**r), units)) for r in frame["readings"]),
                title=f"Freeze frame of {frame['code']}{_failure(frame)}",
            )
    if not any(module["codes"] for module in document["modules"]):
        screen.say(f"\n{NO_CODE_IS_NOT_PROOF}")
    if "searched" in document:
        every_module.show_searched(document)
    how = document.get("searched", {}).get("how", "")
    screen.say(f"\n{_ENDS.get(how, NOT_SEARCHED) if how else NOT_REACHED}")


def _show_code(code: dict[str, Any]) -> None:
    more = f", {code['failure_meaning']}" if code.get("failure_meaning") else ""
    head = f"{code['code']}{_failure(code)}  [{', '.join(code['status'])}]  {code['meaning']}{more}"
    screen.say_indented(head, TEXT_COLUMN, first=2, style="bold")
    screen.say_indented(f"{code['judgement']}: {code['because']}", TEXT_COLUMN)
    if code["symptom"]:
        screen.say_indented(f"Symptom: {code['symptom']}", TEXT_COLUMN)
    bare = [r for r in code["records"] if not r["readings"]]
    if stored := "; ".join(_stored(r) for r in bare[:MOST_RECORDS]):
        screen.say_indented(
            f"Stored with it (what the bytes mean is not public): {stored}", TEXT_COLUMN
        )
    if code["caution"]:
        screen.say_indented(f"Caution: {code['caution']}", TEXT_COLUMN)


def _failure(entry: dict[str, Any]) -> str:
    return f"-{entry['failure_type']}" if entry["failure_type"] else ""


def _stored(record: dict[str, Any]) -> str:
    """Return a record as a person can compare it with the maker's description."""
    data = record["hex"]
    more = "…" if len(data) > MOST_DIGITS else ""
    return f"{record['kind']} {record['record']}: {data[:MOST_DIGITS]}{more}"


def _lamp(module: dict[str, Any]) -> str:
    """Return what a module says of its lamp."""
    if module["lamp"] is None:
        return "lamp not read"
    if module["lamp_source"] == "codes":
        return "asks for its lamp" if module["lamp"] else "asks for no lamp"
    return "engine lamp commanded ON" if module["lamp"] else "engine lamp off"


def _voltage(value: float | None) -> str:
    return "" if value is None else f"{value:.1f} V at the connector"
