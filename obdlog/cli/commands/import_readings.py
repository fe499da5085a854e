"""``obdlog import``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from obdlog.cli import screen
from obdlog.cli.options import JsonOption
from obdlog.cli.vehicle_options import DisplacementOption, FuelOption

if TYPE_CHECKING:
    from analysis.column_map import ColumnMap


def run(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A CSV file with readings.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="SESSION", help="The session file to create."),
    ] = None,
    columns: Annotated[
        Path | None, typer.Option("--columns", metavar="MAP.toml", help="The column map.")
    ] = None,
    time: Annotated[str, typer.Option("--time", help="Column of the times.")] = "time_s",
    time_unit: Annotated[str, typer.Option("--time-unit", help="s, ms or iso.")] = "s",
    key: Annotated[
        str | None,
        typer.Option("--key", help="Long file: column that names the signal or PID of each row."),
    ] = None,
    value: Annotated[
        str | None, typer.Option("--value", help="Long file: column of the values.")
    ] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="Long file: column of the units.")
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(
            "--column",
            metavar="NAME=SIGNAL[:UNIT]",
            help="Wide file: a column and the signal or PID in it; repeat for more.",
        ),
    ] = None,
    delimiter: Annotated[str, typer.Option("--delimiter", help="Between columns.")] = ",",
    decimal: Annotated[str, typer.Option("--decimal", help="Decimal sign, . or ,")] = ".",
    sort: Annotated[bool, typer.Option("--sort", help="Put falling times in order.")] = False,
    skip_text: Annotated[
        bool, typer.Option("--skip-text", help="Leave out values that are no numbers.")
    ] = False,
    note: Annotated[str, typer.Option("--note", help="Origin and terms of the data.")] = "",
    fuel: FuelOption = None,
    displacement: DisplacementOption = None,
    json: JsonOption = False,
) -> None:
    """Bring readings from a CSV file into a session that check, plot and export take.

    Say which columns hold what: --time, --key and --value for a file with one reading a row,
    --time and --column for one with a column a signal, or all of it in a map file.
    """
    from analysis.column_map import load_column_map
    from analysis.csv_import import import_csv

    if columns is not None:
        column_map = load_column_map(columns)
    else:
        vehicle = {"fuel": fuel, "displacement_l": displacement}
        given: dict[str, Any] = {
            "time": time,
            "time_unit": time_unit,
            "delimiter": delimiter,
            "decimal": decimal,
            "sort": sort,
            "skip_text": skip_text,
            "note": note,
            "vehicle": {k: v for k, v in vehicle.items() if v is not None},
        }
        column_map = _map(given, key, value, unit, column)
    target = out or file.with_name(f"{file.stem}.session.jsonl")
    summary = import_csv(file, target, column_map)
    if json:
        screen.print_json(
            {
                "format": "obdlog.import/1",
                "file": str(target),
                "rows": summary.rows,
                "readings": summary.readings,
                "signals": list(summary.signals),
                "seconds": summary.seconds,
                "gaps": summary.gaps,
                "skipped": summary.skipped,
                "blank": summary.blank,
                "unused": list(summary.unused),
            }
        )
        return
    screen.facts(
        {
            "Session": target,
            "Rows": summary.rows,
            "Readings": summary.readings,
            "Signals": ", ".join(summary.signals),
            "Length": f"{summary.seconds:.1f} s",
            "Gaps": summary.gaps,
            "Left out": summary.skipped or "",
            "Empty cells": summary.blank or "",
            "Columns not used": ", ".join(summary.unused),
        }
    )


def _map(
    given: dict[str, Any],
    key: str | None,
    value: str | None,
    unit: str | None,
    column: list[str] | None,
) -> ColumnMap:
    """Return the map that the options state; without any, the long form pid and value."""
    from analysis.column_map import ColumnMap

    if column:
        names: dict[str, str] = {}
        units: dict[str, str] = {}
        for entry in column:
            name, separator, signal = entry.rpartition("=")
            if not separator or not name or not signal:
                raise typer.BadParameter(
                    f"{entry[:60]!r}: write --column NAME=SIGNAL or NAME=SIGNAL:UNIT"
                )
            signal, _, theirs = signal.partition(":")
            names[name] = signal
            if theirs:
                units[name] = theirs
        given |= {"columns": names, "units": units}
    else:
        given |= {"key": key or "pid", "value": value or "value", "unit": unit or ""}
    try:
        return ColumnMap(**given)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
