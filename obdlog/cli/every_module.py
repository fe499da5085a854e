"""Modules beyond the legislated ones, for the commands that read them: which, and what to say."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import typer

from obdlog import discovery, module_reading, survey
from obdlog.addresses import titled
from obdlog.cli import screen
from obdlog.cli.road import Road
from obdlog.discovery import Found
from obdlog.errors import NoAnswerError, RefusedError
from obdlog.model import SEARCH, Exchange
from obdlog.module_map import Search, case_map, load_module_map, not_beside, remember
from obdlog.module_search import shared_remarks
from obdlog.modules import (
    Module,
    System,
    clashing,
    is_address,
    may_be_asked,
    merged,
    named,
    reaches_all,
    usual_request,
)

CAUTIONS = {
    System.RESTRAINTS: "Restraints (airbags, belt tensioners): licensed practice only. Nothing "
    "unplugged with the key on, no ohmmeter on their circuits.",
    System.BRAKES: "Brakes and stability: licensed practice. Do not drive with a red brake lamp or "
    "a soft pedal, whatever a module says.",
    System.STEERING: "Steering: licensed practice.",
    System.HIGH_VOLTAGE: "High voltage: trained people only; what is orange stays untouched.",
}
"""Common practice, no source; the maker's own procedure, local codes and licensed practice win."""

EXTENDED_CAUTION = (
    "Caution: in its extended session a module may suspend functions or note codes of its own. "
    "Parked, engine off, nobody in or under the vehicle; each module is returned to its default "
    "session, by itself at the latest 5 s after the last request."
)
NONE_BEYOND = "No module beyond those answered."
NONE_OF_THOSE_ASKED = "None of the addresses that could be asked answered."


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which modules a command was told to read, and how."""

    every: bool = False
    names: tuple[str, ...] = ()
    map_file: Path | None = None
    extended: bool = False
    again: bool = False

    def __bool__(self) -> bool:
        """Return whether any module beyond the legislated ones is wanted."""
        return self.every or bool(self.names)

    @classmethod
    def of(
        cls,
        names: Sequence[str] | None,
        map_file: Path | None,
        *,
        every: bool,
        extended: bool = False,
        again: bool = False,
    ) -> Wanted:
        """Return what the options say.

        Raises
        ------
        typer.BadParameter
            An option that does nothing without ``--every-module`` or ``--module``.
        """
        wanted = cls(every, tuple(names or ()), map_file, extended, again)
        idle = {
            "--module-map": map_file is not None,
            "--extended-session": extended,
            "--search-again": again and not every,
        }
        for option, given in idle.items():
            if given and (not wanted or option == "--search-again"):
                needs = (
                    "--every-module"
                    if option == "--search-again"
                    else ("--every-module or --module")
                )
                raise typer.BadParameter(f"{option} goes with {needs}")
        return wanted


@dataclass(frozen=True, slots=True)
class Chosen:
    """The modules to read, and what the search for them left open."""

    modules: tuple[Module, ...] = ()
    found: Found = field(default_factory=Found)
    how: str = "searched"

    def document(self, read: Sequence[Module]) -> dict[str, Any]:
        """Return the summary for JSON: what was searched and what was not reached."""
        return {
            "how": self.how,
            "found": len(read),
            "ranges": list(self.found.searched),
            "requests": self.found.asked,
            "complete": self.found.complete,
            "not_reached": list(self.found.not_reached),
            "remarks": list(self.found.remarks),
            "silent": [
                {"name": m.name, "request": m.request, "address": m.response}
                for m in self.found.silent
            ],
        }


def choose(road: Road, wanted: Wanted, case: Path | None, *, go_on: bool = False) -> Chosen:
    """Return the modules to read: named, remembered, recorded or found by a search.

    Parameters
    ----------
    go_on
        Go on with what was found where the search is stopped. Only for what merely reads: who
        stops a search before an erase wants no erase.

    Raises
    ------
    KeyboardInterrupt
        The user stopped the search; a case has kept what was found.
    RefusedError
        The vehicle moves.
    NoAnswerError
        A module that was named by its address does not answer.
    typer.BadParameter
        A name that no map knows.
    InputFileError
        A module map is not what it should be.
    """
    mapped = load_module_map(wanted.map_file) if wanted.map_file else ()
    kept = case_map(case) if case else None
    held = kept.modules if kept else ()
    for module in mapped:
        if other := clashing(module, held):
            screen.tell(f"{not_beside(module, other)}; it was left out.")
    known = merged(held, (m for m in mapped if not clashing(m, held)))
    session = getattr(road.transport, "session", None)
    if session is not None:
        if wanted.every:
            # What was heard in the search and not read belongs to the result, too.
            heard = (e for e in session.exchanges if e.request.purpose == SEARCH)
            road.client.exchanges += [e for e in heard if e.messages]
        return _recorded(session.exchanges, known, wanted)
    if said := discovery.require_stationary(road.client):
        screen.tell(said)
    if not wanted.every:
        return Chosen(tuple(_named(road, known, name) for name in wanted.names), how="named")
    if kept and kept.search is Search.DONE and not wanted.again:
        screen.tell(
            f"Asking the {len(known)} modules that the case remembers; --search-again searches."
        )
        return Chosen(known, how="remembered")
    seconds = discovery.estimate_s(road.client, thorough=wanted.again)
    if seconds:
        screen.tell(
            f"Searching for modules: about {seconds:.0f} s on a real vehicle. Leave it parked, "
            "ignition on. Ctrl-C ends the search and keeps what was found."
        )
    found = discovery.find_modules(
        road.client, known, progress=screen.progress, thorough=wanted.again
    )
    if case:
        ended = found.complete and found.reached
        remember(case, found.modules, Search.DONE if ended else Search.INTERRUPTED, screen.tell)
    if not found.complete:
        screen.tell(f"The search was not finished; {len(found.modules)} modules found so far.")
        if not go_on and found.interrupted:
            raise KeyboardInterrupt
        if not go_on:
            raise RefusedError("; ".join(found.not_reached), hint="Park the vehicle and try again.")
    elif not case and found.modules:
        screen.tell("With --case DIR the modules are remembered, and the next run needs no search.")
    return Chosen(found.modules, found)


def read(
    road: Road,
    chosen: Chosen,
    wanted: Wanted,
    case: Path | None,
    *,
    codes: bool = True,
    legislated: bool = False,
) -> tuple[Module, ...]:
    """Read the chosen modules and return them with their languages, which a case remembers.

    Parameters
    ----------
    codes
        Whether their codes are wanted, not only who they are.
    legislated
        Whether the legislated modules are asked for their own list of codes too.

    Raises
    ------
    RefusedError
        The extended session is wanted, and the engine runs or may run.
    """
    if legislated and wanted.every:
        module_reading.read_legislated(road.client, progress=screen.progress)
    if wanted.extended and chosen.modules and chosen.how != "recorded":
        _require_standing_engine(road)
        screen.tell(EXTENDED_CAUTION)
    found = module_reading.read_modules(
        road.client,
        chosen.modules,
        extended=wanted.extended,
        progress=screen.progress,
        codes=codes,
    )
    if case and chosen.how in ("searched", "named"):
        remember(case, (m for m in found if m.language), say=screen.tell)
    return found


def _require_standing_engine(road: Road) -> None:
    """Check that no module reports a running engine; where none reports it, the caution stands."""
    hint = "Switch the engine off, the ignition on; without --extended-session the rest is read."
    try:
        running = road.client.engine_speed_rpm()
    except NoAnswerError as error:
        raise RefusedError(
            f"it is not certain that the engine is off: {error}; no extended session was asked for",
            hint=hint,
        ) from error
    if running:
        raise RefusedError(
            f"the engine runs at {running:.0f} rpm; no extended session was asked for", hint=hint
        )


def read_all(
    road: Road,
    wanted: Wanted,
    case: Path | None,
    ask: Callable[[], None],
    *,
    codes: bool = True,
) -> tuple[Chosen, tuple[Module, ...], NoAnswerError | None]:
    """Read the legislated modules by `ask`, then the others that are wanted.

    Returned last is the error of `ask` where none of the legislated ones answered: the others
    are read all the same, and the caller knows what then counts as nothing.
    """
    silent: NoAnswerError | None = None
    try:
        ask()
    except NoAnswerError as error:
        silent = error
    if not wanted:
        return Chosen(), (), silent
    chosen = choose(road, wanted, case, go_on=True)
    return chosen, read(road, chosen, wanted, case, codes=codes, legislated=codes), silent


def add_modules(
    document: dict[str, Any], road: Road, chosen: Chosen, read_ones: Sequence[Module]
) -> None:
    """Add to a document what is to be said of each module, silent ones too, and the search."""
    exchanges = road.client.exchanges
    legislated = survey.legislated(exchanges)
    by_address = by_response(read_ones)
    held = {entry["address"] for entry in document["modules"]}
    for module in (*read_ones, *chosen.found.silent):
        if module.response not in held and document["modules"]:
            document["modules"].append(_not_answered(document["modules"][0], module))
    for entry in document["modules"]:
        known = by_address.get(entry["address"])
        listed = bool(entry.get("answered", True))
        entry["alone"] = entry["address"] not in legislated
        heard = entry.get("error") != module_reading.SILENT
        entry["notes"] = [module_reading.HEARD_ONLY] if entry["alone"] and heard else []
        if known and heard:
            entry["notes"] = list(module_reading.notes(exchanges, known, listed=listed))
        elif known:
            entry["notes"] = list(module_reading.why_silent(exchanges, known))
    document["modules"].sort(key=lambda entry: entry["alone"])
    document["searched"] = chosen.document(read_ones)


def by_response(modules: Sequence[Module]) -> dict[str, Module]:
    """Return the modules by the address that they answer from."""
    return {m.response: m for m in modules}


def show_searched(document: dict[str, Any]) -> None:
    """Print what of the other modules was not reached."""
    searched = document["searched"]
    asked = searched["ranges"] or searched["how"] != "searched"
    if asked and not searched["found"] and not searched["silent"]:
        screen.say(f"\n{NONE_OF_THOSE_ASKED if searched['not_reached'] else NONE_BEYOND}")
    said = [f"{titled(m['name'], m['address'])} did not answer" for m in searched["silent"]]
    told = " ".join(searched["remarks"])
    said += [
        f"the codes of {title_of(m)}"
        for m in document["modules"]
        if m.get("answered") is False
        and m.get("error") != module_reading.SILENT
        and m["address"] not in told
    ]
    said += searched["not_reached"] + searched["remarks"]
    if said:
        screen.say("\nNot read, and so not known:")
        screen.bullet(said)


def title_of(entry: dict[str, Any]) -> str:
    """Return a module as a heading names it: one that is asked alone with both addresses."""
    title = titled(entry["name"], entry["address"])
    if not entry.get("alone") or not entry.get("request"):
        return title
    if title == entry["name"]:
        return f"{title} (asked at {entry['request']})"
    return f"{entry['name']} ({entry['address']}, asked at {entry['request']})"


def caution_of(entry: dict[str, Any]) -> str:
    """Return the caution that goes with the system of a module, nothing where it has none."""
    return CAUTIONS.get(System(entry.get("system") or ""), "")


def _recorded(exchanges: Sequence[Exchange], known: Sequence[Module], wanted: Wanted) -> Chosen:
    """Return the modules of a recording, named as a map names them."""
    names = {(m.request, m.response): m for m in known}
    legislated = survey.legislated(exchanges)
    recorded = (m for m in discovery.recorded_modules(exchanges) if m.response not in legislated)
    modules = tuple(names.get((m.request, m.response), m) for m in recorded)
    if wanted.every:
        asked = {e.request.target for e in exchanges}
        silent = tuple(m for m in known if m.request in asked and m not in modules)
        shared = discovery.recorded_shared(exchanges)
        remarks = shared_remarks(shared, {m.response for m in modules})
        return Chosen(modules, Found(silent=silent, remarks=tuple(remarks)), how="recorded")
    missing = [name for name in wanted.names if not named(modules, name)]
    if missing:
        raise NoAnswerError(f"the recording holds no module {screen.plain(missing[0][:60])}")
    chosen = (m for name in wanted.names for m in named(modules, name))
    return Chosen(tuple(dict.fromkeys(chosen)), how="recorded")


def _named(road: Road, known: Sequence[Module], name: str) -> Module:
    """Return the one module that `name` means."""
    found = named(known, name)
    if len(found) == 1:
        return found[0]
    shown = screen.plain(name[:60])
    if found:
        both = " and ".join(f"{m.name} ({m.addresses})" for m in found[:3])
        raise typer.BadParameter(f"{shown} means {both}; name one by its response address")
    address = name.strip().upper()
    if not is_address(address):
        names = ", ".join(m.name for m in known[:20]) or "none"
        raise typer.BadParameter(
            f"no module is called {shown} (known: {names}); an address is written as 7B0 or "
            "18DA28F1"
        )
    if reaches_all(address):
        raise typer.BadParameter(f"{address} reaches all modules at once; name one of them")
    if not may_be_asked(address) and not may_be_asked(usual_request(address) or address):
        raise typer.BadParameter(
            f"{address} is no identifier of diagnosis (700 to 7FF, 18DAxxF1 and 18DAF1xx): only a "
            "--module-map that states its request and its response reaches it"
        )
    module = discovery.find_one(road.client, address)
    if module is None:
        raise NoAnswerError(
            f"no module answers at {address}",
            hint="Ignition on? obdlog codes --every-module searches for what is there; a module "
            "map names an unusual response address.",
        )
    return module


def _not_answered(like: dict[str, Any], module: Module) -> dict[str, Any]:
    """Return the entry of a module that said nothing, in the shape of an entry that is there."""
    empty = {
        key: type(value)() if isinstance(value, list | dict) else None
        for key, value in like.items()
    }
    if "counts" in like:
        empty["counts"] = dict.fromkeys(like["counts"])
    return empty | {
        "address": module.response,
        "name": module.name,
        "request": module.request,
        "language": module.language.value if module.language else None,
        "system": module.system.value or None,
        "answered": False,
        "error": module_reading.SILENT,
    }


def show_identification(module: dict[str, Any]) -> None:
    """Print what a module says of itself by the services of its own language."""
    screen.facts(
        {
            _first_upper(item["name"] or f"identifier {item['identifier']}"): (
                item["text"] or f"{item['hex']} (bytes)"
            )
            for item in module["identification"]
        }
    )


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]
