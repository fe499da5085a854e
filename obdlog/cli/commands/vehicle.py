"""``obdlog vehicle``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from obdlog import documents, survey
from obdlog.cli import every_module, screen
from obdlog.cli.every_module import Wanted
from obdlog.cli.options import (
    CaseOption,
    EveryModuleOption,
    JsonOption,
    LinkOption,
    ModuleMapOption,
    ModuleOption,
    SaveOption,
    SearchAgainOption,
)
from obdlog.cli.road import Road, open_road
from obdlog.cli.unread import show_unread
from obdlog.modules import Module

VIN_CHECK = {
    "valid": "check digit right",
    "invalid": "wrong",
    "not-used": "no check digit is required there",
}

ASK_VIN = "0902"
MOST_NAMES = 3
NOT_PUBLIC = "bytes as they came: what they mean is not public"


def run(
    link: LinkOption = None,
    json: JsonOption = False,
    case: CaseOption = None,
    save: SaveOption = None,
    signals: Annotated[
        bool, typer.Option("--signals", help="List every supported PID with its signals.")
    ] = False,
    every: EveryModuleOption = False,
    module: ModuleOption = None,
    module_map: ModuleMapOption = None,
    search_again: SearchAgainOption = False,
) -> None:
    """Show VIN, calibrations, protocol, the modules that answer and the signals they support."""
    wanted = Wanted.of(module, module_map, every=every, again=search_again)
    with open_road(link, step="vehicle", case=case, save=save) as road:
        chosen, modules = _read(road, wanted, case)
        protocol = road.client.transport.protocol
        document = documents.vehicle_document(
            road.client.exchanges,
            road.client.bus,
            protocol.name if protocol else "",
            recorded_vin=road.recorded_vin,
            modules=every_module.by_response(modules),
        )
        if wanted:
            every_module.add_modules(document, road, chosen, modules)
        road.end("done")
    if json:
        screen.print_json(document)
    else:
        show(document, in_full=signals)


def _read(
    road: Road, wanted: Wanted, case: Path | None
) -> tuple[every_module.Chosen, tuple[Module, ...]]:
    """Ask the legislated modules who they are, then the others that are wanted.

    Raises
    ------
    NoAnswerError
        Nothing answered, and no recording tells the VIN.
    """
    chosen, modules, silent = every_module.read_all(
        road, wanted, case, road.client.read_vehicle, codes=False
    )
    if silent and road.recorded_vin is None and not survey.answered(road.client.exchanges):
        raise silent
    return chosen, modules


def show(document: dict[str, Any], *, in_full: bool = False) -> None:
    """Print a vehicle document; `in_full` with a line for every PID."""
    screen.facts(
        {
            "VIN": _vin(document),
            "Region": ", ".join(filter(None, (document["region"], document["country"]))),
            "Model year": _model_year(document),
            "Protocol": document["protocol"],
        }
    )
    for module in document["modules"]:
        screen.heading(every_module.title_of(module))
        screen.facts({"Calls itself": _own_name(module), **_software(module), **_other(module)})
        every_module.show_identification(module)
        screen.facts(
            {
                f"Identifier {f['identifier']}": f"{f['data']}  ({NOT_PUBLIC})"
                for f in module["further"]
            }
        )
        signals = module["signals"]
        for note in module.get("notes", ()):
            screen.say_indented(f"Note: {note}")
        if not signals:
            if not module.get("alone"):
                screen.say("Reports no supported signals.")
        elif in_full:
            screen.say(f"Supports {len(signals)} PIDs of current data:")
            screen.print_table(
                ("PID", "Signals", "Names"),
                ((s["pid"], s["label"], ", ".join(_few(s["names"]))) for s in signals),
            )
        else:
            names = (name for s in signals for name in _few(s["names"]))
            screen.say(f"Supports {len(signals)} PIDs of current data (--signals explains them):")
            screen.say_indented(", ".join(names))
    show_unread(document)
    if "searched" in document:
        every_module.show_searched(document)


def _vin(document: dict[str, Any]) -> str:
    if document["vin"]:
        said = document["vin_problem"] or VIN_CHECK[document["vin_check"]]
        again = ": read it again before relying on it" if document["vin_problem"] else ""
        return f"{document['vin']}  ({screen.plain(said)}{again})"
    how = {u["request"]: u["outcome"] for u in document["unread"]}.get(ASK_VIN)
    return f"not known: the answer did not arrive whole ({how})" if how else "not reported"


def _model_year(document: dict[str, Any]) -> str:
    """Return the model year; where a rule of light vehicles selects one, with that rule."""
    if document["model_year"] is None:
        return " or ".join(map(str, document["model_years"]))
    return f"{document['model_year']} (if it weighs up to 4,536 kg)"


def _own_name(module: dict[str, Any]) -> str | None:
    name, meaning = module["ecu_name"], module["ecu_meaning"]
    return f"{name}  ({meaning})" if name and meaning else name


def _software(module: dict[str, Any]) -> dict[str, str]:
    """Return calibrations with their verification numbers, which stand in the same order."""
    ids, cvns = module["calibrations"], module["cvns"]
    if ids and len(ids) == len(cvns):
        pairs = ", ".join(
            f"{i or 'unnamed'} (verification {c})" for i, c in zip(ids, cvns, strict=True)
        )
        return {"Calibrations": pairs}
    return {"Calibrations": ", ".join(ids), "Verification numbers": ", ".join(cvns)}


def _other(module: dict[str, Any]) -> dict[str, str]:
    """Return what else the module tells of itself, by what it is."""
    told = {}
    for info in module["information"]:
        if info.get("text"):
            value = info["text"]
        elif "number" in info:
            number, unit = info["number"], info["unit"]
            value = "" if number is None else screen.value_text(number, unit)
        else:
            value = info.get("hex", "")
        note = info.get("note", "")
        shown = f"{value}  ({note})" if value and note else value or note
        told[info["name"][:1].upper() + info["name"][1:]] = shown
    return told


def _few(names: list[str]) -> Iterator[str]:
    """Yield the names of one PID's signals, of a status word the first ones only."""
    yield from names[:MOST_NAMES]
    if len(names) > MOST_NAMES:
        yield "…"
