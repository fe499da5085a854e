"""``obdlog vehicle``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

import typer

from obdlog import documents
from obdlog.cli import screen
from obdlog.cli.options import CaseOption, JsonOption, LinkOption, SaveOption
from obdlog.cli.road import open_road
from obdlog.cli.unread import show_unread
from obdlog.errors import NoAnswerError

VIN_CHECK = {
    "valid": "check digit right",
    "invalid": "CHECK DIGIT WRONG: read again before relying on it",
    "not-used": "no check digit in this region",
}

ASK_VIN = "0902"
MOST_NAMES = 3


def run(
    link: LinkOption = None,
    json: JsonOption = False,
    case: CaseOption = None,
    save: SaveOption = None,
    signals: Annotated[
        bool, typer.Option("--signals", help="List every supported PID with its signals.")
    ] = False,
) -> None:
    """Show VIN, calibrations, protocol, the modules that answer and the signals they support."""
    with open_road(link, step="vehicle", case=case, save=save) as road:
        try:
            road.client.read_vehicle()
        except NoAnswerError:
            if road.recorded_vin is None:
                raise
        protocol = road.client.transport.protocol
        document = documents.vehicle_document(
            road.client.exchanges,
            road.client.bus,
            protocol.name if protocol else "",
            recorded_vin=road.recorded_vin,
        )
        road.end("done")
    if json:
        screen.print_json(document)
    else:
        show(document, in_full=signals)


def show(document: dict[str, Any], *, in_full: bool = False) -> None:
    """Print a vehicle document; `in_full` with a line for every PID."""
    screen.facts(
        {
            "VIN": _vin(document),
            "Region": document["region"],
            "Model year": " or ".join(map(str, document["model_years"])),
            "Protocol": document["protocol"],
        }
    )
    for module in document["modules"]:
        screen.heading(f"{module['name']} ({module['address']})")
        screen.facts(
            {
                "Calls itself": module["ecu_name"],
                "Calibrations": ", ".join(module["calibrations"]),
                "Verification numbers": ", ".join(module["cvns"]),
            }
        )
        signals = module["signals"]
        if not signals:
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
            screen.say("  " + screen.plain(", ".join(names)))
    show_unread(document)


def _vin(document: dict[str, Any]) -> str:
    if document["vin"]:
        return f"{document['vin']}  ({VIN_CHECK[document['vin_check']]})"
    how = {u["request"]: u["outcome"] for u in document["unread"]}.get(ASK_VIN)
    return f"not known: the answer did not arrive whole ({how})" if how else "not reported"


def _few(names: list[str]) -> Iterator[str]:
    """Yield the names of one PID's signals, of a status word the first ones only."""
    yield from names[:MOST_NAMES]
    if len(names) > MOST_NAMES:
        yield "…"
