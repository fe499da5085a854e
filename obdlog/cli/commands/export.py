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


class Layout(StrEnum):
    """One row a reading, or one column a signal."""

    LONG = "long"
    WIDE = "wide"


def run(
    session: SessionArgument,
    out: Annotated[Path, typer.Argument(metavar="FILE", help="FILE.csv, .parquet or .mf4.")],
    layout: Annotated[
        Layout, typer.Option("--layout", help="long: a row a reading; wide: a column a signal.")
    ] = Layout.LONG,
) -> None:
    """Write a session's readings to CSV, Parquet or MDF4, with units and times in seconds."""
    from analysis.export import export_readings
    from analysis.load import load

    file_format = SUFFIXES.get(out.suffix.lower())
    if file_format is None:
        raise typer.BadParameter("the file must end in .csv, .parquet or .mf4")
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
