"""Vehicle facts on the command line, for the commands that judge readings."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from obdlog.case import CaseFacts, load_case_facts
from obdlog.errors import InputFileError

SessionArgument = Annotated[
    Path, typer.Argument(metavar="SESSION", help="A session file, or a case folder.")
]
FuelOption = Annotated[
    str | None,
    typer.Option(
        "--fuel", metavar="FUEL", help="petrol or diesel, where the session does not say."
    ),
]
DisplacementOption = Annotated[
    float | None, typer.Option("--displacement", metavar="LITRES", help="Engine displacement [L].")
]
AltitudeOption = Annotated[
    float | None, typer.Option("--altitude", metavar="METRES", help="Where the drive began [m].")
]

FACTS = frozenset(
    {"fuel", "displacement_l", "altitude_m", "gearbox", "boosted", "hybrid", "soak_h"}
)


def vehicle_overrides(
    facts: CaseFacts,
    fuel: str | None = None,
    displacement_l: float | None = None,
    altitude_m: float | None = None,
) -> dict[str, Any]:
    """Return what is known of the vehicle: the options, else ``case.toml``."""
    stated = {k: v for k, v in facts.vehicle.items() if k in FACTS}
    given = {"fuel": fuel, "displacement_l": displacement_l, "altitude_m": altitude_m}
    return {**stated, **{k: v for k, v in given.items() if v is not None}}


def facts_for(session: Path, case: Path | None) -> CaseFacts:
    """Return the case facts that belong to `session`: of `case`, else of its own folder."""
    return load_case_facts(case or (session if session.is_dir() else session.parent))


def drive_of(path: Path) -> Path:
    """Return the session file to analyse: `path`, or the last road test of a case folder.

    Raises
    ------
    InputFileError
        `path` does not exist, or the folder holds no session.
    """
    from obdlog.case import session_files

    if not path.exists():
        raise InputFileError(f"{path} does not exist", path=path)
    if not path.is_dir():
        return path
    files = session_files(path)
    drives = [f for f in files if "road-test" in f.name] or list(files)
    if not drives:
        raise InputFileError(f"{path} holds no session file", path=path)
    return drives[-1]
