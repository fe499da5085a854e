"""``obdlog codes``."""

from __future__ import annotations

from typing import Any

import typer

from obdlog import documents
from obdlog.case import CaseFacts, load_case_facts
from obdlog.cli import screen
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import (
    CaseOption,
    FailOnCodesOption,
    JsonOption,
    KeepWireOption,
    LinkOption,
    ReplacedOption,
    SaveOption,
    Units,
    UnitsOption,
    UnpluggedOption,
)
from obdlog.cli.road import open_road, work_of
from obdlog.model import Reading

TEXT_COLUMN = 9
"""Where what is said of a code begins, below its own line."""
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
) -> None:
    """Read stored, pending and permanent codes with freeze frames; judge each with its reason.

    Say what was unplugged or replaced during the work: that is what tells an after-effect from
    a fault.
    """
    work = work_of(load_case_facts(case) if case else CaseFacts(), unplugged, replaced)
    with open_road(
        link, step="codes", case=case, save=save, work=work, keep_wire=keep_wire
    ) as road:
        read_at = road.read_at
        road.client.read_codes()
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
        )
        road.end("done")
    if json:
        screen.print_json(document)
    else:
        show(document, units)
        if not road.work and any(m["codes"] for m in document["modules"]):
            screen.say(HOW_TO_STATE_WORK)
    if fail_on and any(m["codes"] for m in document["modules"]):
        raise typer.Exit(ExitCode.FOUND)


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
        lamp = {True: "engine lamp commanded ON", False: "engine lamp off", None: "lamp not read"}
        screen.heading(f"{module['name']} ({module['address']}): {lamp[module['lamp']]}")
        if module["error"]:
            screen.say(f"  Note: {screen.plain(module['error'])}")
        if not module["codes"] and module["answered"]:
            screen.say("  No codes.")
        for code in module["codes"]:
            _show_code(code)
        for frame in module["freeze_frames"]:
            screen.print_table(
                ("Signal", "Value"),
                ((r["label"], screen.reading_text(Reading(**r), units)) for r in frame["readings"]),
                title=f"Freeze frame of {frame['code']}",
            )
    if not any(module["codes"] for module in document["modules"]):
        screen.say(f"\n{NO_CODE_IS_NOT_PROOF}")
    screen.say(f"\n{NOT_REACHED}")


def _show_code(code: dict[str, Any]) -> None:
    failure = f"-{code['failure_type']}" if code["failure_type"] else ""
    more = f", {code['failure_meaning']}" if code.get("failure_meaning") else ""
    head = f"{code['code']}{failure}  [{', '.join(code['status'])}]  {code['meaning']}{more}"
    screen.say_indented(head, TEXT_COLUMN, first=2, style="bold")
    screen.say_indented(f"{code['judgement']}: {code['because']}", TEXT_COLUMN)
    if code["caution"]:
        screen.say_indented(f"Caution: {code['caution']}", TEXT_COLUMN)


def _voltage(value: float | None) -> str:
    return "" if value is None else f"{value:.1f} V at the connector"
