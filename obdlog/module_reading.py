"""Asks each module alone for its codes, what is stored beside them, and who it is.

How the talk with one goes stands in `obdlog.module_dialogue`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from obdlog import survey
from obdlog.addresses import on_older_bus
from obdlog.client import Client
from obdlog.model import UNKNOWN_SOURCE, Exchange, Outcome
from obdlog.module_dialogue import DEFAULT, EXTENDED, Dialogue
from obdlog.module_search import sources_of
from obdlog.modules import Module, module_at, usual_request
from obdlog.services import trouble_reports
from obdlog.services.identification import BY_IDENTIFIER
from obdlog.services.refusals import OTHER_SESSION
from obdlog.services.registry import MODULE_CODE_SERVICES

SILENT = "did not answer; nothing is known of it"
MOST_SPOILT = 3
"""So many requests are named whose answers were lost on the way."""
NOT_READ = "its codes were not read; nothing here says that it is clean"
HEARD_ONLY = "was heard in the search and not read; nothing here says that it is clean"
_REPORT_REPLY = 0x59
_LIST = bytes([trouble_reports.SERVICE, trouble_reports.CODES])

Progress = Callable[[str], None]


def read_modules(
    client: Client,
    modules: Sequence[Module],
    *,
    extended: bool = False,
    progress: Progress = lambda _: None,
    codes: bool = True,
    identity: bool = True,
) -> tuple[Module, ...]:
    """Return `modules` with the language that each was found to speak; answers are in `client`.

    Parameters
    ----------
    extended
        The user allowed the extended session where a module refuses to answer without it.
    codes, identity
        What to ask for.

    Raises
    ------
    LinkError
        The road is gone. A module that stays silent or refuses is an outcome.
    """
    recorded = _recorded(client)
    read = []
    for number, module in enumerate(modules, 1):
        progress(f"reading {module.name} ({number} of {len(modules)})")
        dialogue = Dialogue(client, module, extended=extended)
        if recorded is not None:
            dialogue.play(recorded)
        else:
            dialogue.read(codes=codes, identity=identity)
        read.append(replace(module, language=dialogue.language))
    return tuple(read)


def read_legislated(client: Client, *, progress: Progress = lambda _: None) -> None:
    """Ask the modules that answered requests to all for what only service 19 lists.

    The generic services tell codes that count for emissions; a module may hold others.
    """
    recorded = _recorded(client)
    for response in sorted(survey.legislated(client.exchanges)):
        request = usual_request(response)
        if request is None or on_older_bus(response):  # there the generic services are all
            continue
        module = module_at(request, response)
        progress(f"reading {module.name}")
        dialogue = Dialogue(client, module, extended=False)
        if recorded is not None:
            dialogue.play(recorded)
        else:
            dialogue.list_codes()


def codes_read(exchanges: Iterable[Exchange], module: Module) -> bool:
    """Return whether the module, asked alone, listed its codes."""
    return any(
        m.source == module.response
        for e in exchanges
        if e.request.target == module.request and e.request.service in MODULE_CODE_SERVICES
        for m in e.positive()
        if m.payload[0] != _REPORT_REPLY or m.payload[1:2] == bytes([trouble_reports.CODES])
    )


def read_in_session(exchanges: Sequence[Exchange], module: Module) -> bool:
    """Return whether the module gave its codes in the extended session and not outside it."""
    own = [e for e in exchanges if e.request.target == module.request]
    opened = [n for n, e in enumerate(own) if e.request.payload == EXTENDED and e.positive()]
    return bool(opened) and not codes_read(own[: opened[0]], module) and codes_read(own, module)


def notes(exchanges: Sequence[Exchange], module: Module, *, listed: bool) -> tuple[str, ...]:
    """Return what was not read of `module` and how it could be, in plain words.

    Parameters
    ----------
    listed
        Whether it listed its codes, in whatever language; also where they were not wanted.
    """
    own = [e for e in exchanges if e.request.target == module.request]
    if not any(m.source == module.response for e in own for m in e.messages):
        return (SILENT,)
    said = []
    opened = any(e.request.payload == EXTENDED for e in own)
    lists = [e for e in own if e.request.payload[:2] == _LIST]
    if not listed and any(_asks_for_session(e, module.response) for e in lists):
        said.append(
            "refused its codes in the extended session too"
            if opened
            else "refuses its codes outside the extended session; --extended-session allows it"
        )
    if not listed:
        asked = any(e.request.service in MODULE_CODE_SERVICES for e in own)
        said.append(NOT_READ if asked else HEARD_ONLY)
    if listed and not opened and any(_asks_for_session(e, module.response) for e in own):
        said.append(
            "keeps part of what it stored to the extended session, which --extended-session allows"
        )
    if spoilt := _spoilt(own):
        more = " …" if len(spoilt) > MOST_SPOILT else ""
        said.append(
            f"{len(spoilt)} of its answers did not arrive whole, so what they hold is not known "
            f"(to {', '.join(spoilt[:MOST_SPOILT])}{more})"
        )
    if any(sources_of(e).count(module.response) > 1 for e in own):
        said.append("two modules answer from this address: what is listed may mix both")
    if opened:
        said.append(
            "was asked in the extended session and returned to the default one"
            if _returned(own, module.response)
            else "did not confirm its return to the default session; it returns by itself after 5 s"
        )
    return tuple(said)


def _spoilt(own: Sequence[Exchange]) -> list[str]:
    """Return the requests whose answer was lost on the way, in hexadecimal."""
    whole = {e.request.payload for e in own if e.messages and not e.damaged}
    lost = (e for e in own if e.damaged or e.outcome in (Outcome.GARBLED, Outcome.LOST))
    return list(
        dict.fromkeys(
            e.request.payload.hex(" ").upper() for e in lost if e.request.payload not in whole
        )
    )


def why_silent(exchanges: Sequence[Exchange], module: Module) -> tuple[str, ...]:
    """Return why nothing was heard of `module` where that was not its doing."""
    own = [e for e in exchanges if e.request.target == module.request]
    if any(m.source == UNKNOWN_SOURCE for e in own for m in e.messages):
        return (f"something answers at {module.request}, and this road does not tell from where",)
    # The note of a request that the road could not send says what it cannot.
    not_sent = (e.note for e in own if e.outcome is Outcome.NO_DATA and "cannot" in e.note)
    return tuple(dict.fromkeys(f"was not asked: {note}" for note in not_sent))[:1]


def _returned(own: Sequence[Exchange], response: str) -> bool:
    last = [e for e in own if e.request.payload == DEFAULT][-1:]
    return any(m.source == response for e in last for m in e.positive())


def _asks_for_session(exchange: Exchange, response: str) -> bool:
    return exchange.request.service in (trouble_reports.SERVICE, BY_IDENTIFIER) and any(
        m.source == response and m.refusal_code in OTHER_SESSION for m in exchange.refusals()
    )


def _recorded(client: Client) -> tuple[Exchange, ...] | None:
    """Return the exchanges of a recording that is played back, None on a road to a car."""
    if client.transport.kind != "playback":
        return None
    session = getattr(client.transport, "session", None)
    return tuple(session.exchanges) if session is not None else None
