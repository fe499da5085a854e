"""``obdlog plot``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.commands.check import findings_on
from obdlog.cli.options import CaseOption
from obdlog.cli.vehicle_options import (
    DisplacementOption,
    FuelOption,
    SessionArgument,
    drive_of,
    facts_for,
    vehicle_overrides,
)
from obdlog.errors import InputFileError

if TYPE_CHECKING:
    from analysis.data import SessionData

USUAL = (
    "VSS", "RPM", "MAF", "MAP", "LOAD_PCT", "TP", "ECT", "IAT", "SHRTFT1", "LONGFT1", "VPWR",
    "ADAPTER_V",
)  # fmt: skip
"""Drawn when nothing is named, as far as the session holds them."""

MOST_PANELS = 8


def run(
    session: SessionArgument,
    signal: Annotated[
        list[str] | None,
        typer.Option("--signal", metavar="NAME", help="A signal to draw; repeat for more."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="PNG, SVG or PDF; by default beside the session."
        ),
    ] = None,
    fuel: FuelOption = None,
    displacement: DisplacementOption = None,
    case: CaseOption = None,
    no_checks: Annotated[
        bool, typer.Option("--no-checks", help="Draw readings only, no expected bands.")
    ] = False,
) -> None:
    """Draw a session: one panel a signal on one time axis, expected bands, gaps as gaps."""
    figure = draw(
        session,
        signal,
        out,
        fuel=fuel,
        displacement_l=displacement,
        case=case,
        bands=not no_checks,
    )
    screen.say(str(figure))


def draw(
    session: Path,
    signals: list[str] | None = None,
    out: Path | None = None,
    *,
    fuel: str | None = None,
    displacement_l: float | None = None,
    case: Path | None = None,
    bands: bool = True,
) -> Path:
    """Draw a session, or the last road test of a case folder, and return the file.

    Raises
    ------
    InputFileError
        The session holds nothing to draw, or the file cannot be written.
    MissingSignalError
        A named signal is not in the session.
    """
    from analysis.load import load
    from analysis.plots import plot_timeline, save_figure
    from analysis.plots.bands import bands_of
    from analysis.strays import without_strays

    path = drive_of(session)
    data, left_out = without_strays(load(path))
    if left_out:
        screen.tell(left_out)
    names = _named(data, signals) if signals else [s for s in USUAL if data.has(s)][:MOST_PANELS]
    names = names or [s for s in data.signals() if data.has(s)][:MOST_PANELS]
    if not names:
        raise InputFileError(f"{path} holds no readings to draw", path=path)
    findings = []
    if bands:
        facts = facts_for(session, case)
        findings = findings_on(data, facts, vehicle_overrides(facts, fuel, displacement_l))
    figure = plot_timeline(
        data, names, findings=findings, bands=bands_of(findings), title=screen.plain(path.name)
    )
    target = out or path.with_name(path.name.split(".session.")[0] + ".png")
    try:
        return save_figure(figure, target)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
    except OSError as error:
        raise InputFileError(
            f"{target} cannot be written: {error.strerror}", path=target
        ) from error


def _named(data: SessionData, names: list[str]) -> list[str]:
    from obdlog.tables.signals import pids_by_name

    by_pid: dict[str, list[str]] = {}
    for signal, pid in pids_by_name().items():
        by_pid.setdefault(f"{pid:02X}", []).append(signal)
    chosen: list[str] = []
    for name in names:
        for part in filter(None, name.replace(",", " ").split()):
            upper = part.upper()
            chosen += [s for s in by_pid.get(upper, [upper]) if data.has(s)] or [upper]
    for name in chosen:
        data.require(name)
    return list(dict.fromkeys(chosen))
