"""``obdlog export``."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.vehicle_options import SessionArgument, drive_of
from obdlog.errors import InputFileError

SUFFIXES = {".csv": "csv", ".parquet": "parquet", ".mf4": "mdf"}
CAPTURE_SUFFIXES = frozenset({".log", ".asc"})


class Layout(StrEnum):
    """One row a reading, or one column a signal."""

    LONG = "long"
    WIDE = "wide"


def run(
    session: SessionArgument,
    out: Annotated[
        Path, typer.Argument(metavar="FILE", help="FILE.csv, .parquet, .mf4, .log or .asc.")
    ],
    layout: Annotated[
        Layout, typer.Option("--layout", help="long: a row a reading; wide: a column a signal.")
    ] = Layout.LONG,
) -> None:
    """Write a session's readings to CSV, Parquet or MDF4, or its messages to a CAN capture.

    Readings have units and times in seconds. A capture (candump .log, .asc) is written of a
    session recorded on CAN; its frames are rebuilt from the messages.
    """
    if out.suffix.lower() in CAPTURE_SUFFIXES:
        _export_capture(drive_of(session), out)
        return
    from analysis.export import export_readings
    from analysis.load import load

    file_format = SUFFIXES.get(out.suffix.lower())
    if file_format is None:
        raise typer.BadParameter("the file must end in .csv, .parquet, .mf4, .log or .asc")
    data = load(drive_of(session))
    try:
        export_readings(data, out, file_format, layout=layout.value)  # type: ignore[arg-type]
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
    except OSError as error:
        raise InputFileError(
            f"{out} cannot be written: {error.strerror or error}", path=out
        ) from error
    screen.say(f"{out}: {len(data.readings)} readings of {len(data.signals())} signals")


def _export_capture(session: Path, out: Path) -> None:
    from obdlog.capture.exporting import export_capture

    done = export_capture(session, out)
    screen.say(
        f"{out}: {done.frames} frames, rebuilt from the messages of the session "
        "(padding, flow control and the times within long messages are ours)"
    )
    if done.unseen:
        screen.tell(f"{done.unseen} requests that no capture showed are not in it")
    if done.left_out:
        screen.tell(f"{done.left_out} messages without a CAN identifier are left out")
