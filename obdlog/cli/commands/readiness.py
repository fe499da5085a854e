"""``obdlog readiness``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import typer

from obdlog import documents
from obdlog.addresses import titled
from obdlog.cli import screen
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import (
    CaseOption,
    FailOnNotReadyOption,
    JsonOption,
    LinkOption,
    SaveOption,
)
from obdlog.cli.road import open_road

RATIO_NOTE = (
    "A low ratio means that this way of driving seldom lets the monitor finish. The least ratio "
    "that a regulation wants differs by monitor, year and place; none is judged here."
)
GROUPS_NOTE = (
    "Readiness groups (SAE J1979-2). What a group stands for is not public, so these are the codes "
    "of each group with their status bits and nothing is claimed from them:"
)
NO_CODE = {"code": "none", "failure_type": "", "status": (), "status_byte": None}
INSPECTION_NOTE = (
    "Inspections in the USA under 40 CFR 85.2222 turn a vehicle away with more than two of these "
    "incomplete (model years 1996 to 2000) or more than one (2001 on). Local rules differ: ask the "
    "inspection station."
)


def run(
    link: LinkOption = None,
    json: JsonOption = False,
    case: CaseOption = None,
    save: SaveOption = None,
    fail_on: FailOnNotReadyOption = None,
) -> None:
    """Show which monitors are complete since clearing and in this drive, with the counters."""
    with open_road(link, step="readiness", case=case, save=save) as road:
        road.client.read_readiness()
        document = documents.readiness_document(road.client.exchanges, road.client.bus)
        road.end("done")
    if json:
        screen.print_json(document)
    else:
        show(document)
    waiting = incomplete(document)
    if fail_on and (waiting or not document["modules"]):
        raise typer.Exit(ExitCode.FOUND)


def incomplete(document: dict[str, Any]) -> tuple[str, ...]:
    """Return the monitors that are supported and not complete, of all modules."""
    return tuple(
        dict.fromkeys(
            m["monitor"]
            for module in document["modules"]
            for m in module["monitors"]
            if m["supported"] and not m["complete"]
        )
    )


def show(document: dict[str, Any]) -> None:
    """Print a readiness document."""
    if not document["modules"]:
        screen.say("No module reports monitors (PID 01).")
    for module in document["modules"]:
        screen.heading(titled(module["name"], module["address"]))
        screen.facts(
            {
                "Engine lamp commanded": screen.yes_no(module["lamp"]),
                "Codes counted": module["code_count"],
                "Ignition": module["ignition"],
            }
        )
        today = {m["monitor"]: m for m in module["this_drive"]}
        screen.print_table(
            ("Monitor", "Since clearing", "This drive"),
            (
                (m["monitor"], _state(m), _state(today.get(m["monitor"]), this_drive=True))
                for m in module["monitors"]
                if m["supported"]
            ),
        )
        _show_in_use(module["in_use"])
    _show_groups(document["groups"])
    if any(module["in_use"] for module in document["modules"]):
        screen.say("\n" + RATIO_NOTE + "\n")
    counters = document["counters"]
    screen.facts(
        {
            "Warm-ups since clearing": counters["warm_ups_since_clear"],
            "Distance since clearing": _km(counters["distance_since_clear_km"]),
            "Engine time since clearing": _minutes(counters["minutes_since_clear"]),
            "Distance with the lamp on": _km(counters["distance_with_lamp_km"]),
        }
    )
    if waiting := incomplete(document):
        from obdlog.codes.explain import explain

        screen.say("\nStill waiting, and the driving that usually completes it:")
        screen.bullet(
            f"{name}: {dict(explain(name).facts).get('completes', '')}" for name in waiting
        )
        screen.say(
            "The maker's own drive plan wins. Legal roads only; a passenger reads the screen."
        )
        screen.say(INSPECTION_NOTE)


def _show_groups(groups: Sequence[dict[str, Any]]) -> None:
    """Print the readiness groups of cars after SAE J1979-2, as the modules give them."""
    if not groups:
        return
    screen.say("\n" + GROUPS_NOTE)
    screen.print_table(
        ("Module", "Group", "Code", "Status", "Byte"),
        (
            (
                f"{group['name']} ({group['address']})",
                group["group"],
                "-".join(filter(None, (code["code"], code["failure_type"]))),
                ", ".join(code["status"]) or ("no bit set" if code["status_byte"] else ""),
                code["status_byte"] or "",
            )
            for group in groups
            for code in group["codes"] or [NO_CODE]
        ),
    )


def _show_in_use(in_use: dict[str, Any] | None) -> None:
    """Print how often each monitor really runs; what never counted anything is left out."""
    if in_use is None:
        return
    screen.say("How often the monitors really run (in-use counters; clearing does not reset them):")
    rows = [m for m in in_use["monitors"] if m["completed"] or m["conditions"]]
    if rows:
        screen.print_table(
            ("Monitor", "Completed", "Could have", "Ratio"),
            ((m["monitor"], m["completed"], m["conditions"], _ratio(m["ratio"])) for m in rows),
        )
    screen.facts(
        {"Drives that count": in_use["drives"], "Ignition cycles": in_use["ignition_cycles"]}
    )


def _ratio(ratio: float | None) -> str:
    return "none: its conditions were never met" if ratio is None else f"{ratio:.3f}"


def _state(monitor: dict[str, Any] | None, *, this_drive: bool = False) -> str:
    if monitor is None:
        return "not reported"
    if not monitor["supported"]:
        return "not enabled" if this_drive else "not supported"
    return "complete" if monitor["complete"] else "NOT complete"


def _km(value: int | None) -> str:
    return "" if value is None else f"{value} km"


def _minutes(value: int | None) -> str:
    return "" if value is None else f"{value} min"
