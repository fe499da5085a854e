"""Reads again after an erase and a key cycle, and compares with the evidence of the case."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from obdlog import discovery, survey
from obdlog.addresses import titled
from obdlog.cli import every_module, screen
from obdlog.cli.every_module import Wanted
from obdlog.cli.road import open_road, tell_warning
from obdlog.erase import key_cycle
from obdlog.erase.last_erase import find_last_erase
from obdlog.module_map import case_map
from obdlog.module_reading import read_modules
from obdlog.modules import Module, merged, module_at

_LAMP_WORDS = {
    key_cycle.Lamp.SHOULD_BE_OUT: "should be out",
    key_cycle.Lamp.STILL_REQUESTED: "still asked for",
    key_cycle.Lamp.NOT_REQUESTED: "not asked for",
    key_cycle.Lamp.NOT_READ: "not read",
}


def read_again(link: str | None, case: Path, wanted: Wanted) -> dict[str, Any]:
    """Return ``obdlog.after-key-cycle/1``: nothing is erased, the reading is kept in the case.

    Raises
    ------
    InputFileError
        The case holds no erase with evidence before it.
    RefusedError
        The vehicle moves, and modules beyond the legislated ones were to be asked.
    """
    last = find_last_erase(case, tell_warning)
    known = merged(case_map(case).modules)
    by_pair = {(m.request, m.response): m for m in known}
    asked = tuple(
        dict.fromkeys(by_pair.get(pair, module_at(*pair)) for pair in (*last.asked, *last.read))
    )
    with open_road(link, step="after-key-cycle", case=case) as road:
        read_at = road.read_at
        road.client.read_codes()
        modules: tuple[Module, ...] = asked
        if wanted:
            chosen = every_module.choose(road, wanted, case)
            modules = merged(asked, chosen.modules)
        elif modules and road.transport.kind != "playback":
            said = discovery.require_stationary(road.client)
            if said:
                screen.tell(said)
        read_modules(
            road.client, modules, extended=wanted.extended, progress=screen.progress, identity=False
        )
        now = survey.survey_codes(road.client.exchanges, road.client.bus)
        road.end("read after a key cycle")
        path = road.path
    names = {m.response: m.name for m in modules}
    compared = key_cycle.compare(last.before, now, last.erased, names)
    return key_cycle.document(str(last.evidence), str(path) if path else None, compared, read_at)


def show(document: dict[str, Any]) -> None:
    """Print the document."""
    screen.facts({"Evidence before": document["evidence"], "Read now": document["file"]})
    screen.print_table(
        ("Module", "Before", "Now", "Lamp"),
        (
            (
                titled(m["name"], m["address"]),
                "not read" if m["before"] is None else ", ".join(m["before"]) or "none",
                "not read" if m["now"] is None else ", ".join(m["now"]) or "none",
                _LAMP_WORDS[key_cycle.Lamp(m["lamp"])],
            )
            for m in document["modules"]
        ),
    )
    screen.say("What comes next:")
    screen.bullet(document["next_steps"])
