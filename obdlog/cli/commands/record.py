"""``obdlog record``."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import (
    CaseOption,
    ForOption,
    JsonOption,
    KeepWireOption,
    LinkOption,
    parse_duration_s,
)
from obdlog.cli.road import open_road, utc_now
from obdlog.cli.signals import resolve_pids
from obdlog.poll_plan import build_plan
from obdlog.recorder import LINK_LOST, SILENT, Progress, Recorder, Recording

ROAD_CAUTION = (
    "Road test: legal roads only, a passenger operates the laptop, the driver drives. Stop when a "
    "red lamp lights, the engine lamp flashes or the engine runs hot."
)
SHOW_EVERY_S = 1.0


def run(
    link: LinkOption = None,
    for_: ForOption = None,
    signal: Annotated[
        list[str] | None,
        typer.Option("--signal", metavar="NAME", help="A signal or PID; repeat for more."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The session file to create.")
    ] = None,
    json: JsonOption = False,
    case: CaseOption = None,
    keep_wire: KeepWireOption = False,
) -> None:
    """Record a road-test log until the time is reached or Ctrl-C ends it."""
    for_s = parse_duration_s(for_) if for_ is not None else None
    wanted = resolve_pids(signal) if signal else None
    if out is None and case is None:
        stamp = utc_now().replace(":", "").replace("-", "")
        out = Path(f"drive-{stamp}.session.jsonl")
    if not json:
        screen.tell(ROAD_CAUTION)
    with open_road(link, step="road-test", case=case, save=out, keep_wire=keep_wire) as road:
        plan = build_plan(road.client, wanted)
        if plan.unsupported:
            missing = ", ".join(f"{pid:02X}" for pid in plan.unsupported)
            screen.tell(f"This car does not support PID {missing}: not recorded.")
        if plan.cut:
            missing = ", ".join(f"{pid:02X}" for pid in plan.cut)
            screen.tell(f"The reply to PID {missing} never arrived whole: not recorded.")
        shower = _Shower()
        recording = Recorder(
            road.client,
            plan,
            on_exchange=shower.show,
            should_stop=road.played_out,
            on_gap=road.session.gap if road.session else None,
        ).run(for_s=for_s)
        shower.end()
        road.end(recording.reason)
        path = road.path
    _print(recording, path, json)
    raise typer.Exit(exit_code(recording))


def exit_code(recording: Recording) -> ExitCode:
    """Return the contract's exit code for how a recording ended."""
    if recording.reason.startswith(LINK_LOST):
        return ExitCode.LINK
    if recording.reason == SILENT:
        return ExitCode.SILENT
    if recording.reason == "stopped by the user":
        return ExitCode.INTERRUPTED
    return ExitCode.DONE


def _print(recording: Recording, path: Path | None, json: bool) -> None:
    from obdlog.documents import recording_document

    if json:
        screen.print_json(recording_document(recording, path))
        return
    screen.facts(
        {
            "File": path,
            "Length": f"{recording.seconds:.1f} s",
            "Readings": recording.readings,
            "Rate": f"{recording.readings_per_second:.1f} readings/s",
            "Limit seen": ""
            if recording.limit_readings_per_second is None
            else f"{recording.limit_readings_per_second:.1f} readings/s",
            "Lost exchanges": recording.lost_exchanges,
            "Gaps": recording.gaps,
            "Ended": recording.reason,
        }
    )


class _Shower:
    """One progress line on stderr, rewritten in place, where stderr is a terminal."""

    def __init__(self) -> None:
        self._on = sys.stderr.isatty()
        self._next_s = 0.0
        self._shown = 0

    def show(self, progress: Progress) -> None:
        """Show the progress at most once a second of the log's own time."""
        if self._on and progress.seconds >= self._next_s:
            self._next_s = progress.seconds + SHOW_EVERY_S
            line = progress_line(progress, shutil.get_terminal_size().columns)
            # Blanks over what a longer line left behind: every terminal knows them.
            sys.stderr.write(f"\r{line:<{self._shown}}")
            sys.stderr.flush()
            self._shown = len(line)

    def end(self) -> None:
        """Leave the line."""
        if self._shown:
            sys.stderr.write("\n")


def progress_line(progress: Progress, columns: int) -> str:
    """Return one line on how the log is doing that leaves the last of `columns` free."""
    rate = progress.readings / progress.seconds if progress.seconds else 0.0
    line = (
        f"{progress.seconds:7.0f} s  {progress.readings} readings  {rate:.0f}/s  "
        f"lost {progress.lost}  Ctrl-C ends the log"
    )
    return line[: max(0, columns - 1)]
