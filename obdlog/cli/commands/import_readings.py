"""``obdlog import``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from obdlog import __version__
from obdlog.addresses import titled
from obdlog.cli import screen
from obdlog.cli.options import JsonOption
from obdlog.cli.vehicle_options import DisplacementOption, FuelOption

if TYPE_CHECKING:
    from analysis.column_map import ColumnMap
    from obdlog.capture.importing import CaptureSummary

MOST_SHOWN = 10


def run(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A CAN capture, or a CSV file with readings.")
    ],
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
    """Bring a CAN capture, or readings from a CSV file, into a session that check and plot take.

    A capture (candump .log, .asc, .blf, .trc, .csv, .mf4, .db; packed as .gz too) needs no option:
    the diagnostic messages in it are found, put together and paired.

    For readings say which columns hold what: --time, --key and --value for a file with one
    reading a row, --time and --column for one with a column a signal, or all of it in a map file.
    """
    from obdlog.capture.read import capture_format

    target = out or file.with_name(f"{_stem(file)}.session.jsonl")
    if not (columns or column or key or value) and capture_format(file) is not None:
        facts = {"fuel": fuel, "displacement_l": displacement}
        _import_capture(file, target, note, facts, json=json)
        return
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


def _stem(file: Path) -> str:
    return Path(file.stem).stem if file.suffix.lower() == ".gz" else file.stem


def _import_capture(
    file: Path, target: Path, note: str, facts: dict[str, Any], *, json: bool
) -> None:
    """Import a capture and say what was in it, and what of it could not be read."""
    from analysis.load import load
    from obdlog.capture.importing import import_capture

    summary = import_capture(
        file,
        target,
        note,
        vehicle={name: fact for name, fact in facts.items() if fact is not None},
        software=f"obdlog {__version__}",
        progress=lambda frames: screen.progress(f"{frames:,} frames"),
    )
    readings = load(target)
    tally = summary.tally
    if json:
        screen.print_json(
            {
                "format": "obdlog.import/1",
                "file": str(target),
                "capture": summary.title,
                "started": summary.started or None,
                "seconds": summary.seconds,
                "frames": tally.frames,
                "diagnostic_frames": summary.diagnostic_frames,
                "error_frames": tally.error_frames,
                "remote_frames": tally.remote_frames,
                "fd_frames": tally.fd_frames,
                "exchanges": summary.exchanges,
                "inferred": summary.inferred,
                "readings": len(readings.readings),
                "signals": list(readings.signals()),
                "modules": [
                    {
                        "address": module.address,
                        "request": module.request or None,
                        "name": module.name,
                        "messages": module.messages,
                    }
                    for module in summary.modules
                ],
                "channels": list(summary.channels),
                "skipped": tally.skipped,
                "skipped_lines": [line._asdict() for line in tally.skipped_lines],
                "odd_times": tally.odd_times,
                "echoes": tally.echoes,
                "damage": tally.damage or None,
                "fault_count": summary.fault_count,
                "faults": list(summary.faults),
                "unproven": [
                    {"address": address, "frames": frames}
                    for address, frames in summary.unproven.items()
                ],
            }
        )
        return
    screen.facts(
        {
            "Session": target,
            "Capture": summary.title,
            "Frames": f"{tally.frames} seen, {summary.diagnostic_frames} of them diagnostic",
            "Exchanges": summary.exchanges,
            "Inferred": f"{summary.inferred} without a visible request" * bool(summary.inferred),
            "Modules": ", ".join(titled(m.name, m.address) for m in summary.modules),
            "Channels": ", ".join(filter(None, summary.channels)),
            "Readings": len(readings.readings),
            "Signals": ", ".join(readings.signals()),
            "Began": screen.local_time(summary.started) if summary.started else "",
            "Length": f"{summary.seconds:.1f} s",
            "Error frames": tally.error_frames or "",
            "Remote frames": tally.remote_frames or "",
            "CAN FD frames": tally.fd_frames or "",
            "Times that leap": tally.odd_times or "",
            "Logged twice": tally.echoes or "",
            "Left out": tally.skipped or "",
            "Faults": summary.fault_count or "",
        }
    )
    _tell_what_was_left_out(summary)


def _tell_what_was_left_out(summary: CaptureSummary) -> None:
    """Say on stderr which lines, messages and identifiers are not in the session."""
    tally = summary.tally
    where = "line" if summary.is_text else "frame"
    lines = [f"{where} {line.number} {line.reason}" for line in tally.skipped_lines[:MOST_SHOWN]]
    if tally.skipped > MOST_SHOWN:
        lines.append(f"and {tally.skipped - MOST_SHOWN} more that are left out")
    lines += summary.faults[:MOST_SHOWN]
    if summary.fault_count > MOST_SHOWN:
        lines.append(f"and {summary.fault_count - MOST_SHOWN} more messages that were not whole")
    if tally.damage:
        lines.append(f"read up to the damage only: {tally.damage}")
    if summary.unproven:
        names = ", ".join(list(summary.unproven)[:MOST_SHOWN])
        lines.append(f"not taken for diagnostics, for want of proof: {names}")
    screen.bullet(lines, stderr=True)


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
