"""``obdlog onboard-tests``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from obdlog import documents, units
from obdlog.addresses import titled
from obdlog.cli import screen
from obdlog.cli.options import CaseOption, JsonOption, LinkOption, SaveOption
from obdlog.cli.road import open_road
from obdlog.cli.unread import show_unread

FIGURES = ("Measured", "Low limit", "High limit", "Result")
RAW_NOTE = (
    "Figures marked raw are numbers without a unit: only the maker's service information says "
    "what they measure. Their result stands, since value and limits share one scale."
)
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
    if not document["modules"] and not document["unread"]:
        screen.say("No module reports on-board test results.")
    for module in document["modules"]:
        screen.heading(titled(module["name"], module["address"]))
        if module["tests"]:
            screen.print_table(
                ("Monitor", "Test", *FIGURES),
                _rows(module["tests"]),
            )
        if module["oxygen_tests"]:
            screen.print_table(
                ("Oxygen sensor", "Test", *FIGURES),
                (
                    (
                        test["place"] or f"sensor bit {test['sensor']}",
                        f"{test['test_id']} {test['test']}",
                        *_figures(test),
                    )
                    for test in module["oxygen_tests"]
                ),
            )
    if any(_raw(test) for module in document["modules"] for test in module["tests"]):
        screen.say(RAW_NOTE)
    show_unread(document)


def _raw(test: dict[str, Any]) -> bool:
    return bool(test["scaling"] == "unknown" and test["value"] is not None)


def _rows(tests: Iterable[dict[str, Any]]) -> Iterator[tuple[str, ...]]:
    """Yield a row for each test; a monitor is named in the first of its rows only."""
    last = ""
    for test in tests:
        monitor, name = _names(test)
        yield ("" if monitor == last else monitor, name, *_figures(test))
        last = monitor


def _names(test: dict[str, Any]) -> tuple[str, str]:
    """Return monitor and test, identifier first, with the name where the standard has one."""
    if test["monitor_id"] is None:
        return f"component {test['component']}", test["test_id"]
    monitor = f"{test['monitor_id']} {test['monitor'] or 'reserved by the standard'}"
    return monitor, f"{test['test_id']} {test['test'] or ''}".rstrip()


def _figures(test: dict[str, Any]) -> tuple[str, ...]:
    raw = " raw" if _raw(test) else ""
    values = _texts([test[name] for name in ("value", "low", "high")], test["unit"], raw)
    without = test["result"] == "pass" and test["low"] is None and test["high"] is None
    return (*values, "constant" if without else RESULT[test["result"]])


def _texts(values: list[float | None], unit: str, mark: str) -> list[str]:
    """Return value and limits with their unit, those that differ so that they read apart."""
    shown = f" {units.shown(unit)}".rstrip()
    texts = iter(units.rounded_apart([value for value in values if value is not None], unit))
    return ["" if value is None else next(texts) + shown + mark for value in values]
