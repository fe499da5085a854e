"""``obdlog ports``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import JsonOption

if TYPE_CHECKING:
    from obdlog.links.ble_scan import Heard


def run(
    ask: Annotated[
        list[str] | None,
        typer.Option("--ask", metavar="PORT", help="Ask this port whether an adapter answers."),
    ] = None,
    ask_all: Annotated[
        bool, typer.Option("--ask-all", help="Ask every serial port listed; says which first.")
    ] = False,
    wireless: Annotated[
        bool,
        typer.Option(
            "--wireless",
            help="Also listen for Bluetooth LE devices for some seconds; connects to none.",
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """List serial ports. Nothing is sent to any of them unless you say so.

    Another device may sit on a port: asking sends it a few characters. Where none of the ports
    named with --ask answers as an adapter, the exit code is 3.
    """
    from obdlog.links.serial_port import list_ports

    heard = _listen() if wireless else None
    ports = {p.device: p.description for p in list_ports()}
    to_ask = list(dict.fromkeys([*(ask or []), *(ports if ask_all else [])]))
    if to_ask:
        screen.tell(f"Asking {', '.join(map(screen.plain, to_ask))}.")
    answers = {port: _ask(port) for port in to_ask}
    rows = [
        {
            "port": port,
            "description": ports.get(port, ""),
            "asked": port in answers,
            **answers.get(port, {"adapter": None, "identity": "", "error": None}),
        }
        for port in dict.fromkeys([*ports, *to_ask])
    ]
    if json:
        devices = None if heard is None else [_device(h) for h in heard]
        screen.print_json({"format": "obdlog.ports/1", "ports": rows, "wireless": devices})
    else:
        _show(rows, asked=bool(to_ask))
        if heard is not None:
            _show_wireless(heard)
    if ask and not any(answers[port]["adapter"] for port in ask):
        raise typer.Exit(ExitCode.LINK)


def _show(rows: list[dict[str, object]], *, asked: bool) -> None:
    if not rows:
        screen.say("No serial port found. Plug the adapter in, or use socket://host:port.")
        return
    screen.print_table(
        ("Port", "Description", "Adapter"),
        ((r["port"], r["description"], _adapter_text(r)) for r in rows),
    )
    if not asked:
        screen.say("Ask one with --ask PORT, or use it with --link PORT.")


def _listen() -> tuple[Heard, ...]:
    """Return the Bluetooth LE devices that can be heard."""
    from obdlog.links import ble_scan

    screen.progress(f"listening for Bluetooth LE devices for {ble_scan.SCAN_S:g} s")
    return ble_scan.listen_around()


def _device(heard: Heard) -> dict[str, object]:
    return {
        "link": heard.link,
        "name": heard.name,
        "signal_dbm": heard.signal_dbm,
        "services": list(heard.services),
    }


def _show_wireless(heard: tuple[Heard, ...]) -> None:
    if not heard:
        screen.say("No Bluetooth LE device heard. Turn the ignition on and come near.")
        return
    screen.print_table(
        ("Link", "Name", "Signal [dBm]", "Services that may be a serial line"),
        ((h.link, h.name, h.signal_dbm, ", ".join(h.services) or "none advertised") for h in heard),
    )
    screen.say(
        "Most of these are other people's devices: none was connected to. Use yours with "
        "--link ble://ADDRESS, or see whether it answers as an adapter with --ask ble://ADDRESS."
    )


def _ask(port: str) -> dict[str, object]:
    """Return whether an adapter answers on `port`; an error is part of the answer."""
    from obdlog.errors import ObdlogError
    from obdlog.links.probe import probe
    from obdlog.links.registry import open_link

    try:
        link = open_link(port)
        try:
            result = probe(link)
        finally:
            link.close()
    except ObdlogError as error:
        return {"adapter": False, "identity": "", "error": str(error)}
    return {"adapter": result.answers, "identity": result.identity, "error": None}


def _adapter_text(row: dict[str, object]) -> str:
    if not row["asked"]:
        return "not asked"
    if row["error"]:
        return str(row["error"])
    return f"answers: {row['identity']}" if row["adapter"] else "no adapter answers"
