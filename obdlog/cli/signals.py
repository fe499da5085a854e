"""Signal names as users type them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence

import typer

from obdlog.tables.signals import by_pid, pids_by_name

_PID = re.compile(r"^(?:01)?([0-9A-Fa-f]{2})$")


def resolve_pids(names: Sequence[str]) -> tuple[int, ...]:
    """Return the service 01 PIDs of `names`: signal names (any case) or two hex digits.

    Raises
    ------
    typer.BadParameter
        A name is no known signal; the nearest ones are suggested.
    """
    known = pids_by_name()
    pids: list[int] = []
    for name in names:
        for part in filter(None, re.split(r"[,\s]+", name)):
            match = _PID.match(part)
            if part.upper() in known:
                pids.append(known[part.upper()])
            elif match and by_pid(int(match[1], 16)):
                pids.append(int(match[1], 16))
            else:
                near = difflib.get_close_matches(part.upper(), known, 3)
                hint = f"; did you mean {', '.join(near)}?" if near else ""
                raise typer.BadParameter(f"{part[:40]!r} is no known signal{hint}")
    return tuple(dict.fromkeys(pids))
