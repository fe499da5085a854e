"""What a person pastes from a terminal, sorted: requests, an adapter's remarks, data lines."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from obdlog.adapter.reply import parse_reply
from obdlog.adapter.status import PROGRESS, STATUS_FACTS, Status

_SILENT = PROGRESS | {Status.OK, Status.BANNER}
_COMMAND = re.compile(r"AT ?[A-Z@!].*", re.IGNORECASE)

# Services 01 to 0A, 19 and 22 as typed, with or without the digit that says how many replies to
# wait for. No legislated identifier begins so, and three digits are the length of a long reply.
_REQUEST = re.compile(r"((?:0[1-9A]|19|22)(?:[0-9A-F]{2}){0,6})([0-9A-F]?)", re.IGNORECASE)
_LENGTH_LINE_DIGITS = 3

# A line of candump (can-utils), or the frame alone as other tools write it: identifier # data.
_CANDUMP = re.compile(
    r"(?:\(\d{1,12}(?:\.\d{1,9})?\) +\S{1,40} +)?"
    r"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#((?:[0-9A-Fa-f]{2}){1,8})(?: +[RrTt])?"
)

_TESTER = re.compile(r"7DF|7E[0-7]|18DB33F1|18DA[0-9A-F]{2}F1")


@dataclass(frozen=True, slots=True)
class Pasted:
    """Sorted lines: `lines` are data, `request` the first that was typed, None where none shows.

    `remarks` say what the adapter reported besides data, one sentence each.
    """

    lines: tuple[str, ...]
    request: bytes | None
    remarks: tuple[str, ...]


def read_pasted(pasted: Iterable[str]) -> Pasted:
    """Return pasted terminal lines sorted; nothing in them is an error here."""
    lines: list[str] = []
    requests: list[bytes] = []
    statuses: list[Status] = []
    for text in pasted:
        for line in text.replace("\0", "").replace("\t", " ").splitlines():
            frame = _CANDUMP.fullmatch(line.strip())
            if frame is not None:
                lines.append(f"{frame[1]} {frame[2]}".upper())
                continue
            typed = line.lstrip().startswith(">")
            rest = line.strip("> ")
            if typed or _is_echo(rest):
                requests += _typed(rest)
                continue
            reply = parse_reply(rest.encode("latin-1", "replace"))
            statuses += reply.statuses
            if Status.BANNER not in reply.statuses:
                lines += reply.lines
    said = dict.fromkeys(s for s in statuses if s not in _SILENT)
    return Pasted(
        tuple(lines),
        requests[0] if requests else None,
        tuple(STATUS_FACTS[status].meaning.rstrip(".") for status in said),
    )


def is_tester(source: str) -> bool:
    """Return whether a CAN identifier is one that requests are sent with.

    References
    ----------
    ISO 15765-4: 7DF, 7E0–7E7, 18DB33F1, 18DAxxF1.
    """
    return _TESTER.fullmatch(source) is not None


def _is_echo(line: str) -> bool:
    digits = line.replace(" ", "")
    return _COMMAND.fullmatch(line) is not None or (
        len(digits) != _LENGTH_LINE_DIGITS and _REQUEST.fullmatch(digits) is not None
    )


def _typed(line: str) -> list[bytes]:
    """Return the request that was typed, nothing for a command to the adapter itself."""
    found = _REQUEST.fullmatch(line.replace(" ", ""))
    return [bytes.fromhex(found[1])] if found else []
