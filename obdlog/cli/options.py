"""Options that several commands share, each defined once."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Units(StrEnum):
    """How values are shown; files and JSON are always metric."""

    METRIC = "metric"
    IMPERIAL = "imperial"


class FailOnOutside(StrEnum):
    """What makes ``check`` end with exit code 10."""

    OUTSIDE = "outside"


class FailOnCodes(StrEnum):
    """What makes ``codes`` end with exit code 10."""

    CODES = "codes"


class FailOnNotReady(StrEnum):
    """What makes ``readiness`` end with exit code 10."""

    NOT_READY = "not-ready"


LinkOption = Annotated[
    str | None,
    typer.Option(
        "--link",
        "-l",
        metavar="URL",
        help="Road to the car: a serial port, socket://host:port, ble://ADDRESS, "
        "can://INTERFACE/CHANNEL, sim://SCENARIO, or a session file. Else OBDLOG_LINK, the saved "
        "default, or the only port found.",
    ),
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON object for scripts instead of text.")
]
CaseOption = Annotated[
    Path | None,
    typer.Option(
        "--case", metavar="DIR", help="Folder that keeps this job's facts and sessions together."
    ),
]
UnitsOption = Annotated[Units, typer.Option("--units", help="Units on screen.")]
UnpluggedOption = Annotated[
    list[str] | None,
    typer.Option("--unplugged", metavar="PART", help="A part that was unplugged; repeat for more."),
]
ReplacedOption = Annotated[
    list[str] | None,
    typer.Option("--replaced", metavar="PART", help="A part that was replaced; repeat for more."),
]
_FAIL_ON = typer.Option("--fail-on", help="End with exit code 10 when this is found.")
FailOnOutsideOption = Annotated[FailOnOutside | None, _FAIL_ON]
FailOnCodesOption = Annotated[FailOnCodes | None, _FAIL_ON]
FailOnNotReadyOption = Annotated[FailOnNotReady | None, _FAIL_ON]
SaveOption = Annotated[
    Path | None,
    typer.Option("--save", metavar="FILE", help="Also write the session to this new file."),
]
KeepWireOption = Annotated[
    bool, typer.Option("--keep-wire", help="Keep every byte of the link in the session file.")
]

EveryModuleOption = Annotated[
    bool,
    typer.Option(
        "--every-module",
        help="Also the modules beyond the legislated ones (airbag, brakes, body …): search for "
        "them, then read each alone. With --case they are remembered.",
    ),
]
ModuleOption = Annotated[
    list[str] | None,
    typer.Option(
        "--module",
        metavar="ADDRESS|NAME",
        help="Also this one module: the address it listens to or answers from, or its name in a "
        "module map; repeat for more.",
    ),
]
ModuleMapOption = Annotated[
    Path | None,
    typer.Option(
        "--module-map",
        metavar="FILE",
        help="Modules to ask, from your own file in TOML (docs/modules.md says how to write it).",
    ),
]
ExtendedSessionOption = Annotated[
    bool,
    typer.Option(
        "--extended-session",
        help="Where a module refuses without it, ask in its extended diagnostic session and return "
        "to the default one. Caution: some modules suspend functions or set codes meanwhile; "
        "parked, engine off.",
    ),
]
SearchAgainOption = Annotated[
    bool,
    typer.Option(
        "--search-again",
        help="Search although the case remembers modules, more patiently and in two passes.",
    ),
]

LONGEST_S = 30 * 24 * 3600.0
ForOption = Annotated[
    str | None,
    typer.Option(
        "--for", metavar="TIME", help="How long: 20s, 15m, 1h30m, or seconds; at most 30 days."
    ),
]

_DURATION = re.compile(r"^(?:(\d+)h)?(?:(\d+)m(?:in)?)?(?:(\d+(?:\.\d+)?)s?)?$")


def parse_duration_s(text: str) -> float:
    """Return seconds for texts such as ``20s``, ``15m``, ``1h30m`` or a bare number of seconds.

    Raises
    ------
    typer.BadParameter
        The text is no duration, zero, or longer than 30 days.
    """
    match = _DURATION.match(text.strip().lower()) if len(text) <= 20 else None
    if match is None or not any(match.groups()):
        raise typer.BadParameter(f"{text[:40]!r} is no duration; write 20s, 15m, 1h30m or seconds")
    hours, minutes, seconds = (float(part or 0) for part in match.groups())
    total = hours * 3600 + minutes * 60 + seconds
    if total <= 0:
        raise typer.BadParameter("the duration must be longer than zero")
    if total > LONGEST_S:
        raise typer.BadParameter("the duration must be 30 days or less; Ctrl-C ends it any time")
    return total
