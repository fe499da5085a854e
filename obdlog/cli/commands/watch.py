"""``obdlog watch``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.commands.record import ROAD_CAUTION, exit_code
from obdlog.cli.exits import ExitCode
from obdlog.cli.live import screen_lines
from obdlog.cli.options import (
    CaseOption,
    ForOption,
    LinkOption,
    SaveOption,
    Units,
    UnitsOption,
    parse_duration_s,
)
from obdlog.cli.road import open_road
from obdlog.cli.signals import resolve_pids
from obdlog.clock import Clock, SystemClock
from obdlog.poll_plan import build_plan
from obdlog.recorder import Progress, Recorder

REDRAW_S = 0.2
"""At most five pictures a second of real time, however fast the log runs."""

Draw = Callable[[Progress], None]


def run(
    link: LinkOption = None,
    signal: Annotated[
        list[str] | None,
        typer.Option("--signal", metavar="NAME", help="A signal or PID; repeat for more."),
    ] = None,
    for_: ForOption = None,
    units: UnitsOption = Units.METRIC,
    case: CaseOption = None,
    save: SaveOption = None,
) -> None:
    """Show live signals with their age until Ctrl-C; a session is kept with --case or --save."""
    for_s = parse_duration_s(for_) if for_ is not None else None
    wanted = resolve_pids(signal) if signal else None
    with open_road(link, step="watch", case=case, save=save) as road:
        plan = build_plan(road.client, wanted)
        with _live(units, as_named=wanted is not None) as draw:
            recorder = Recorder(
                road.client,
                plan,
                on_exchange=draw,
                should_stop=road.played_out,
                keep_latest=True,
            )
            recording = recorder.run(for_s=for_s)
        road.end(recording.reason)
    _show_last(recorder.progress, units, as_named=wanted is not None)
    code = exit_code(recording)
    if code not in (ExitCode.DONE, ExitCode.INTERRUPTED):
        screen.tell(f"{recording.reason}.")
    raise typer.Exit(code)


@contextmanager
def _live(units: Units, *, as_named: bool, clock: Clock | None = None) -> Iterator[Draw]:
    """Yield what draws the progress; the terminal is as it was before when this ends."""
    from rich.live import Live
    from rich.text import Text

    out = screen.console()
    if not out.is_terminal or out.is_dumb_terminal:
        yield lambda _: None
        return
    clock = clock or SystemClock()
    due_s = 0.0
    with Live(console=out, screen=True, auto_refresh=False) as live:

        def draw(progress: Progress) -> None:
            nonlocal due_s
            now_s = clock.now_s()
            if now_s < due_s:
                return
            due_s = now_s + REDRAW_S
            lines = screen_lines(
                progress,
                units,
                width=out.width,
                height=out.height,
                caution=ROAD_CAUTION,
                as_named=as_named,
            )
            live.update(Text("\n".join(lines), no_wrap=True, overflow="crop"), refresh=True)

        yield draw


def _show_last(progress: Progress, units: Units, *, as_named: bool) -> None:
    """Print the last readings, all of them, where they stay."""
    out = screen.console()
    lines = screen_lines(
        progress,
        units,
        width=out.width,
        height=len(progress.latest) + 20,
        caution=ROAD_CAUTION,
        as_named=as_named,
    )
    screen.say("\n".join(lines))
