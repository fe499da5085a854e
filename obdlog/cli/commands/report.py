"""``obdlog report``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from obdlog import __version__
from obdlog.cli import screen
from obdlog.errors import InputFileError


def run(
    case: Annotated[Path, typer.Argument(metavar="DIR", help="The case folder.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="By default report.html in the case folder."),
    ] = None,
    title: Annotated[str, typer.Option("--title", help="Heading of the report.")] = (
        "Repair hand-over"
    ),
    hide_vin: Annotated[
        bool, typer.Option("--hide-vin", help="Write the vehicle number without its last part.")
    ] = False,
) -> None:
    """Write the hand-over report of a case folder: one HTML file that needs nothing else.

    The owner's page comes first in plain words, the evidence behind it follows. Print it from a
    browser for paper.
    """
    screen.say(f"{write_report(case, out, title=title, hide_vin=hide_vin)}")


def write_report(
    case: Path, out: Path | None = None, *, title: str = "Repair hand-over", hide_vin: bool = False
) -> Path:
    """Write the report of `case` and return the file.

    Raises
    ------
    InputFileError
        The folder holds no readable session, or the file cannot be written.
    """
    from analysis.report.build import build_report
    from analysis.report.load import load_case

    material = load_case(case, title=title, software=f"obdlog {__version__}")
    for warning in material.warnings:
        screen.tell(screen.plain(warning))
    target = out or case / "report.html"
    try:
        target.write_text(build_report(material, hide_vin=hide_vin), encoding="utf-8")
    except OSError as error:
        raise InputFileError(
            f"{target} cannot be written: {error.strerror}", path=target
        ) from error
    return target
