"""``obdlog simulate``."""

from __future__ import annotations

from typing import Annotated

import typer

from obdlog.cli import screen
from obdlog.errors import LinkOpenError, OpenFailure


def run(
    scenario: Annotated[
        str, typer.Argument(metavar="SCENARIO", help="Which simulated car; --list shows them.")
    ] = "airbox-repair",
    tcp: Annotated[
        int | None, typer.Option("--tcp", metavar="PORT", min=0, max=65535, help="Serve on a port.")
    ] = None,
    pty: Annotated[bool, typer.Option("--pty", help="Serve on a pseudo-terminal.")] = False,
    host: Annotated[
        str,
        typer.Option(
            "--host",
            metavar="ADDRESS",
            help="Address to serve on; the default stays on this machine.",
        ),
    ] = "127.0.0.1",
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Chance, repeatable.")] = 1,
    personality: Annotated[
        str | None,
        typer.Option(
            "--personality",
            metavar="NAME",
            help="How the adapter behaves; by default the scenario's own.",
        ),
    ] = None,
    drive: Annotated[
        str | None,
        typer.Option("--drive", metavar="NAME", help="Start the engine and follow this drive."),
    ] = None,
    cleared: Annotated[
        bool, typer.Option("--cleared", help="Begin as after an accepted erase.")
    ] = False,
    list_: Annotated[
        bool, typer.Option("--list", help="List scenarios and personalities.")
    ] = False,
) -> None:
    """Serve the simulated car and adapter to other programs, in real time, until Ctrl-C."""
    if list_:
        _list()
        return
    if pty == (tcp is not None):
        raise typer.BadParameter("say where: --tcp PORT or --pty")
    from obdlog.simulator import serve

    def ready(url: str) -> None:
        screen.say(f"Simulated car {scenario} at {url}")
        screen.say(f"In another terminal: obdlog codes --link {url}")

    try:
        if tcp is not None:
            serve.serve_tcp(
                scenario,
                host=host,
                port=tcp,
                seed=seed,
                personality=personality,
                ready=ready,
                drive=drive,
                cleared=cleared,
            )
        else:
            serve.serve_pty(
                scenario,
                seed=seed,
                personality=personality,
                ready=ready,
                drive=drive,
                cleared=cleared,
            )
    except ImportError as error:
        raise LinkOpenError(
            "this system has no pseudo-terminals; use --tcp PORT", reason=OpenFailure.OTHER
        ) from error


def _list() -> None:
    from obdlog.simulator import drive_names, personalities, scenarios

    screen.print_table(("Scenario", "What it is"), scenarios().items())
    screen.print_table(("Personality", "How the adapter behaves"), personalities().items())
    screen.say(f"Drives: {', '.join(drive_names())}")
