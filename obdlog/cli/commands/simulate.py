"""``obdlog simulate``."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from obdlog.cli import screen
from obdlog.errors import LinkOpenError, OpenFailure

if TYPE_CHECKING:
    from obdlog.simulator.serve import Options

_TRAFFIC_S = 0.01


def run(
    scenario: Annotated[
        str, typer.Argument(metavar="SCENARIO", help="Which simulated car; --list shows them.")
    ] = "airbox-repair",
    tcp: Annotated[
        int | None, typer.Option("--tcp", metavar="PORT", min=0, max=65535, help="Serve on a port.")
    ] = None,
    pty: Annotated[bool, typer.Option("--pty", help="Serve on a pseudo-terminal.")] = False,
    can: Annotated[
        str | None,
        typer.Option(
            "--can",
            metavar="INTERFACE/CHANNEL",
            help="Put the car itself on a CAN bus, without an adapter: "
            "udp_multicast/239.74.163.2. Never on a real vehicle's bus.",
        ),
    ] = None,
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
    key_cycle: Annotated[
        float | None,
        typer.Option(
            "--key-cycle-after-erase",
            metavar="SECONDS",
            min=0,
            max=3600,
            help="The driver turns the key off and on so long after the last erase.",
        ),
    ] = None,
    control: Annotated[
        bool,
        typer.Option(
            "--control",
            help="Take the driver's words from standard input even where it is no terminal: "
            "off, on, start, drive NAME, key-cycle.",
        ),
    ] = False,
    traffic: Annotated[
        bool, typer.Option("--traffic", help="With --can: other units talk on the bus too.")
    ] = False,
    list_: Annotated[
        bool, typer.Option("--list", help="List scenarios and personalities.")
    ] = False,
) -> None:
    """Serve the simulated car and adapter to other programs, in real time, until Ctrl-C."""
    if list_:
        _list()
        return
    if (tcp is not None) + pty + (can is not None) != 1:
        raise typer.BadParameter("say where: --tcp PORT, --pty or --can INTERFACE/CHANNEL")
    if can is not None and personality is not None:
        raise typer.BadParameter("--personality is an adapter's; with --can there is none")
    if can is None and traffic:
        raise typer.BadParameter("--traffic goes with --can")
    from obdlog.simulator import serve
    from obdlog.simulator.driver import WORDS, Driver, at_terminal

    driver = Driver(lambda text: screen.say(screen.plain(text)))
    listens = control or at_terminal(sys.stdin)

    def ready(url: str) -> None:
        screen.say(f"Simulated car {scenario} at {url}")
        screen.say(f"In another terminal: obdlog codes --link {url}")
        if listens:
            screen.say(f"The driver takes words here: {WORDS}")
            driver.listen(sys.stdin)

    options: Options = {
        "seed": seed,
        "drive": drive,
        "cleared": cleared,
        "key_cycle_after_erase_s": key_cycle,
        "attend": driver.attend,
    }
    if can is not None:
        from obdlog.simulator.can_node import CanManners
        from obdlog.simulator.can_server import serve_can

        manners = CanManners(traffic_s=_TRAFFIC_S if traffic else 0.0)
        serve_can(scenario, can, manners=manners, ready=ready, **options)
        return
    options["personality"] = personality
    try:
        if tcp is not None:
            serve.serve_tcp(scenario, host=host, port=tcp, ready=ready, **options)
        else:
            serve.serve_pty(scenario, ready=ready, **options)
    except ImportError as error:
        raise LinkOpenError(
            "this system has no pseudo-terminals; use --tcp PORT", reason=OpenFailure.OTHER
        ) from error


def _list() -> None:
    from obdlog.simulator import drive_names, personalities, scenarios

    screen.print_table(("Scenario", "What it is"), scenarios().items())
    screen.print_table(("Personality", "How the adapter behaves"), personalities().items())
    screen.say(f"Drives: {', '.join(drive_names())}")
