"""``obdlog onboard-tests``."""

from __future__ import annotations

from typing import Any

from obdlog import documents
from obdlog.cli import screen
from obdlog.cli.options import CaseOption, JsonOption, LinkOption, SaveOption
from obdlog.cli.road import open_road

RESULT = {"pass": "inside", "fail": "OUTSIDE", "not-run": "not run since clearing"}


def run(
    link: LinkOption = None,
    json: JsonOption = False,
    case: CaseOption = None,
    save: SaveOption = None,
) -> None:
    """Show the car's own test results against the maker's limits (service 06; 05 before CAN)."""
    with open_road(link, step="onboard-tests", case=case, save=save) as road:
        road.client.read_onboard_tests()
        document = documents.tests_document(road.client.exchanges, road.client.bus)
        road.end("done")
    if json:
        screen.print_json(document)
    else:
        show(document)


def show(document: dict[str, Any]) -> None:
    """Print an on-board test document."""
    if not document["modules"]:
        screen.say("No module reports on-board test results.")
    for module in document["modules"]:
        screen.heading(f"{module['name']} ({module['address']})")
        screen.print_table(
            ("Monitor", "Test", "Measured", "Low limit", "High limit", "Result"),
            (
                (
                    t["monitor_id"] or f"component {t['component']}",
                    t["test_id"],
                    _value(t["value"], t["unit"]),
                    _value(t["low"], t["unit"]),
                    _value(t["high"], t["unit"]),
                    RESULT[t["result"]],
                )
                for t in module["tests"]
            ),
        )


def _value(value: float | None, unit: str) -> str:
    return "" if value is None else screen.value_text(value, unit)
