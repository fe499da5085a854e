"""``obdlog watch``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.commands.record import ROAD_CAUTION, exit_code
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import (
    CaseOption,
    LinkOption,
    SaveOption,
    Units,
    UnitsOption,
    parse_duration_s,
)
from obdlog.cli.road import open_road
from obdlog.cli.signals import resolve_pids
from obdlog.recorder import Progress, Recorder, build_plan

if TYPE_CHECKING:
    from rich.table import Table

REDRAW_S = 0.25


def run(
    link: LinkOption = None,
    signal: Annotated[
        list[str] | None,
        typer.Option("--signal", metavar="NAME", help="A signal or PID; repeat for more."),
    ] = None,
    for_: Annotated[
        str | None, typer.Option("--for", metavar="TIME", help="How long: 20s, 15m, 1h30m.")
    ] = None,
    units: UnitsOption = Units.METRIC,
    case: CaseOption = None,
    save: SaveOption = None,
) -> None:
    """Show live signals with their age until Ctrl-C; a session is kept with --case or --save."""
    from rich.live import Live

    for_s = parse_duration_s(for_) if for_ else None
    wanted = resolve_pids(signal) if signal else None
    out = screen.console()
    with open_road(link, step="watch", case=case, save=save) as road:
        plan = build_plan(road.client, wanted)
        with Live(console=out, auto_refresh=False, transient=False) as live:
            due_s = 0.0

            def redraw(progress: Progress) -> None:
                nonlocal due_s
                if progress.seconds >= due_s:
                    due_s = progress.seconds + REDRAW_S
                    live.update(_screen(progress, units), refresh=out.is_terminal)

            recorder = Recorder(
                road.client,
                plan,
                on_exchange=redraw,
                should_stop=road.played_out,
                on_gap=road.session.gap if road.session else None,
                keep_latest=True,
            )
            recording = recorder.run(for_s=for_s)
            live.update(_screen(recorder.progress, units), refresh=True)
        road.end(recording.reason)
    code = exit_code(recording)
    if code not in (ExitCode.DONE, ExitCode.INTERRUPTED):
        screen.tell(f"{recording.reason}.")
    raise typer.Exit(ExitCode.DONE if code is ExitCode.INTERRUPTED else code)


def _screen(progress: Progress, units: Units) -> Table:
    """Return the table of the last readings; ages in seconds of the log."""
    modules = {source for source, _ in progress.latest}
    rate = progress.readings / progress.seconds if progress.seconds else 0.0
    made = screen.table(
        "Signal",
        "Value",
        "Age",
        title=f"{progress.seconds:.0f} s   {rate:.0f} readings/s   lost {progress.lost}",
    )
    made.caption = f"{ROAD_CAUTION} Ctrl-C stops."
    for (source, _), (at_s, reading) in progress.latest.items():
        label = f"{reading.label} ({source})" if len(modules) > 1 else reading.label
        age_s = max(0.0, progress.seconds - at_s)
        made.add_row(label, screen.reading_text(reading, units), f"{age_s:.1f} s")
    return made
