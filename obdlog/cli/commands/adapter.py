"""``obdlog adapter``."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Any, cast

import typer

from obdlog.cli import screen
from obdlog.cli.options import JsonOption, LinkOption
from obdlog.cli.road import resolve_link, save_default_link
from obdlog.errors import LinkOpenError, OpenFailure

_NO_ADAPTER = {"replay": "a recording", "can": "a CAN interface"}


def run(
    link: LinkOption = None,
    json: JsonOption = False,
    save_default: Annotated[
        bool, typer.Option("--save-default", help="Use this link from now on when none is named.")
    ] = False,
) -> None:
    """Measure what the adapter really can do, and say where it does not keep what it claims.

    Needs the ignition on, since half of it is measured on answers of the car.
    """
    from obdlog.adapter_check import CommandTransport, measure
    from obdlog.client import Client
    from obdlog.links.url import parse_url
    from obdlog.transport.registry import open_transport

    url = resolve_link(link)
    scheme = parse_url(url).scheme
    if scheme == "can" and save_default:
        screen.tell(f"Saved as the default link in {save_default_link(url)}.")
        return
    if scheme in _NO_ADAPTER:
        raise LinkOpenError(
            f"{url} is {_NO_ADAPTER[scheme]}, and only an adapter itself can be measured: name its "
            "port with --link",
            reason=OpenFailure.NOT_AN_ADAPTER,
        )
    transport = open_transport(url)
    try:
        screen.progress("connecting")
        protocol = transport.connect()
        screen.progress("measuring")
        result = measure(cast("CommandTransport", transport), Client(transport))
    finally:
        transport.close()
    document = {
        "format": "obdlog.adapter/1",
        "protocol": protocol.name,
        **dataclasses.asdict(result),
    }
    if json:
        screen.print_json(document)
    else:
        _show(document)
    if save_default:
        screen.tell(f"Saved as the default link in {save_default_link(url)}.")


def _show(document: dict[str, Any]) -> None:
    voltage = document["voltage_v"]
    screen.facts(
        {
            "Says it is": document["identity"] or "nothing",
            "Protocol of the car": document["protocol"],
            "PIDs in one request": document["pids_a_request"],
            "Expected-reply digit": screen.yes_no(document["reply_count"]),
            "Long replies whole": screen.yes_no(document["long_reply"]),
            "One exchange takes": f"{document['exchange_ms']} ms",
            "Voltage": "" if voltage is None else f"{voltage:.1f} V",
        }
    )
    refused = [name for name, known in document["commands"].items() if not known]
    known = len(document["commands"]) - len(refused)
    screen.say(f"Knows {known} of {len(document['commands'])} commands tried.")
    if refused:
        screen.say(f"Does not know: {', '.join(refused)}")
    if document["disagreements"]:
        screen.heading("Claims that its behaviour does not bear out")
        screen.bullet(document["disagreements"])
    if document["unsafe"]:
        screen.heading("Not safe to rely on")
        screen.bullet(document["unsafe"])
    if not document["disagreements"] and not document["unsafe"]:
        screen.say("Nothing measured speaks against relying on it.")
