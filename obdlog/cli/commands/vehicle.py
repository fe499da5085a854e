"""``obdlog vehicle``."""

from __future__ import annotations

from typing import Any

from obdlog import documents
from obdlog.cli import screen
from obdlog.cli.options import CaseOption, JsonOption, LinkOption, SaveOption
from obdlog.cli.road import open_road

VIN_CHECK = {
    "valid": "check digit right",
    "invalid": "CHECK DIGIT WRONG: read again before relying on it",
    "not-used": "no check digit in this region",
}


def run(
    link: LinkOption = None,
    json: JsonOption = False,
    case: CaseOption = None,
    save: SaveOption = None,
) -> None:
    """Show VIN, calibrations, protocol, the modules that answer and the signals they support."""
    with open_road(link, step="vehicle", case=case, save=save) as road:
        road.client.read_vehicle()
        protocol = road.client.transport.protocol
        document = documents.vehicle_document(
            road.client.exchanges, road.client.bus, protocol.name if protocol else ""
        )
        road.end("done")
    if json:
        screen.print_json(document)
    else:
        show(document)


def show(document: dict[str, Any]) -> None:
    """Print a vehicle document."""
    vin = document["vin"]
    screen.facts(
        {
            "VIN": f"{vin}  ({VIN_CHECK[document['vin_check']]})" if vin else "not reported",
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
        if module["signals"]:
            screen.say(f"Supports {len(module['signals'])} PIDs of current data:")
            screen.print_table(
                ("PID", "Signals"), ((s["pid"], s["label"]) for s in module["signals"])
            )
        else:
            screen.say("Reports no supported signals.")
