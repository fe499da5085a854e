"""Bytes from an adapter in, whole replies out.

A reply ends at the prompt ``>``. Everything an adapter may print around the data (progress,
status texts, a banner after a restart) is recognised here, so that the lines which remain are
data or the plain answer to an AT command. Adapters are not trusted: bytes are bounded and
control characters never survive.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from obdlog.adapter.status import Status, gravest

MAX_REPLY_BYTES = 64 * 1024
PROMPT = b">"

# Compared without spaces: with spaces switched off some adapters also drop those of the texts.
_BY_TEXT: dict[str, Status] = {
    "OK": Status.OK,
    "?": Status.UNKNOWN_COMMAND,
    "NODATA": Status.NO_DATA,
    "UNABLETOCONNECT": Status.UNABLE_TO_CONNECT,
    "BUSBUSY": Status.BUS_BUSY,
    "BUSERROR": Status.BUS_ERROR,
    "CANERROR": Status.CAN_ERROR,
    "DATAERROR": Status.DATA_ERROR,
    "RXERROR": Status.RX_ERROR,
    "BUFFERFULL": Status.BUFFER_FULL,
    "STOPPED": Status.STOPPED,
    "FBERROR": Status.FB_ERROR,
    "LVRESET": Status.LV_RESET,
    "LPALERT": Status.LOW_POWER,
    "ACTALERT": Status.ACT_ALERT,
}

_DATA = re.compile(r"[0-9A-Fa-f ]+")
_TEXTS = "|".join(
    " ?".join(words)
    for words in (
        ("NO", "DATA"),
        ("UNABLE", "TO", "CONNECT"),
        ("BUS", "BUSY"),
        ("BUS", "ERROR"),
        ("CAN", "ERROR"),
        ("DATA", "ERROR"),
        ("RX", "ERROR"),
        ("BUFFER", "FULL"),
        ("STOPPED",),
        ("FB", "ERROR"),
        ("LV", "RESET"),
        ("LP", "ALERT"),
        ("ACT", "ALERT"),
        (r"ERR[0-9]{2}",),
    )
)
# Repeats are bounded or anchored by a literal: a hostile line may cost no more than its length.
_STATUS = re.compile(rf"[<!]? ?({_TEXTS})!?$", re.IGNORECASE)
_PROGRESS = re.compile(
    r"(SEARCHING)[ :.]*|BUS ?INIT(?: ?: ?|[ .])[ .]*(OK|ERROR)?|BUS ?INIT$", re.IGNORECASE
)
_BANNER = re.compile(r"[A-Z]{2,12}[0-9]{1,6}[A-Z]{0,4} [vV]\d")


@dataclass(frozen=True, slots=True)
class Reply:
    """All that an adapter said up to its prompt.

    Parameters
    ----------
    lines
        Data lines and plain answers, without progress and status texts. A line that an error
        text was attached to keeps it as ``<ERROR TEXT`` so that framing does not trust it.
    status
        The gravest thing said besides the lines, None when nothing was.
    raw
        The bytes as they arrived, without the prompt.
    prompted
        Whether the prompt came; False means that the reply was cut short.
    statuses
        Everything said besides the lines, in order, each once.
    """

    lines: tuple[str, ...]
    status: Status | None
    raw: bytes
    prompted: bool
    statuses: tuple[Status, ...] = ()

    @property
    def searched(self) -> bool:
        """Whether the adapter looked for the protocol or woke the bus before this reply."""
        return Status.SEARCHING in self.statuses or Status.BUS_INIT in self.statuses


class ReplyReader:
    """Collects bytes until a reply is whole; keeps what came after it for the next."""

    def __init__(self, max_bytes: int = MAX_REPLY_BYTES) -> None:
        if max_bytes < 1:
            raise ValueError("a reply must be allowed at least one byte")
        self._max_bytes = max_bytes
        self._buffer = bytearray()
        self._scanned = 0

    @property
    def pending(self) -> bytes:
        """What has arrived and belongs to no returned reply yet."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> Reply | None:
        """Return the reply that `data` completes, None when more is needed.

        One call returns at most one reply; feed ``b""`` for the next one in the tail. When
        more than the bound arrives without a prompt, what came is returned with the status
        `Status.OVERFLOW` and the rest is dropped, so that a flood can neither fill the memory
        nor hold the caller.
        """
        self._buffer += data
        end = self._buffer.find(PROMPT, self._scanned)
        if 0 <= end <= self._max_bytes:
            raw = bytes(self._buffer[:end])
            del self._buffer[: end + 1]
            del self._buffer[self._max_bytes :]
            self._scanned = 0
            return parse_reply(raw)
        if len(self._buffer) > self._max_bytes:
            raw = bytes(self._buffer[: self._max_bytes])
            self.clear()
            return parse_reply(raw, prompted=False, overflow=True)
        self._scanned = len(self._buffer)
        return None

    def abandon(self) -> Reply:
        """Return what came so far as a reply without prompt, and forget it."""
        raw = bytes(self._buffer)
        self.clear()
        return parse_reply(raw, prompted=False)

    def clear(self) -> None:
        """Forget everything that arrived."""
        self._buffer.clear()
        self._scanned = 0


def parse_reply(raw: bytes, *, prompted: bool = True, overflow: bool = False) -> Reply:
    """Return the reply in `raw`, which holds no prompt of its own."""
    lines: list[str] = []
    statuses: list[Status] = []
    for line in split_lines(raw):
        _sort_line(line, lines, statuses)
    if overflow:
        statuses.append(Status.OVERFLOW)
    once = tuple(dict.fromkeys(statuses))
    return Reply(tuple(lines), gravest(once, has_lines=bool(lines)), raw, prompted, statuses=once)


def split_lines(raw: bytes) -> list[str]:
    """Return the non-empty lines of `raw` as printable ASCII; NULs go, all else is escaped.

    Adapters end lines with CR, with CR LF, or with both in any number. NULs are a known slip
    of their serial side and carry nothing.
    """
    text = raw.replace(b"\0", b"").replace(b"\n", b"\r").decode("latin-1")
    lines = (line.strip(" \t") for line in text.split("\r"))
    return [_printable(line) for line in lines if line]


def _printable(line: str) -> str:
    if line.isascii() and line.isprintable():
        return line
    return "".join(c if " " <= c <= "~" else f"\\x{ord(c):02x}" for c in line)


def _sort_line(line: str, lines: list[str], statuses: list[Status]) -> None:
    """Add `line` to the data lines or the statuses it stands for, or to both."""
    if _DATA.fullmatch(line):
        lines.append(line)
        return
    start = 0
    for found in _PROGRESS.finditer(line):
        _sort_text(line[start : found.start()].strip(), lines, statuses)
        statuses.append(_progress_status(found))
        start = found.end()
    _sort_text(line[start:].strip(), lines, statuses)


def _sort_text(line: str, lines: list[str], statuses: list[Status]) -> None:
    """Do the same for a line that reports no progress."""
    if not line:
        return
    banner = _BANNER.search(line)
    if banner is not None:
        # The banner stays: to the commands that ask for it, it is the answer.
        _add_cut(line[: banner.start()], "RESTARTED", lines)
        statuses.append(Status.BANNER)
        lines.append(line[banner.start() :])
        return
    whole = _BY_TEXT.get(line.replace(" ", "").upper())
    if whole is not None:
        statuses.append(whole)
        return
    said = _STATUS.search(line)
    if said is None:
        lines.append(line)
        return
    key = said[1].replace(" ", "").upper()
    statuses.append(_BY_TEXT.get(key, Status.ERR_CODE))
    _add_cut(line[: said.start()], said[1].upper(), lines)


def _add_cut(before: str, text: str, lines: list[str]) -> None:
    """Add what stood before an error text, marked so that framing does not trust it."""
    if before.strip():
        lines.append(f"{before.strip()} <{text}")


def _progress_status(found: re.Match[str]) -> Status:
    if found[1]:
        return Status.SEARCHING
    if found[2] and found[2].upper() == "ERROR":
        return Status.BUS_INIT_ERROR
    return Status.BUS_INIT


def strip_echo(lines: Iterable[str], command: str) -> tuple[str, ...]:
    """Return `lines` without the echo of `command`, and without what stood before it.

    The echo is compared without regard to spaces and case; lines before it are the rest of an
    earlier reply. An adapter that runs echo and answer together on one line is believed only
    where the command is long enough not to be the beginning of an answer.
    """
    kept = tuple(lines)
    wanted = _squeeze(command)
    if not wanted:
        return kept
    for position, line in enumerate(kept):
        if _squeeze(line) == wanted:
            return kept[position + 1 :]
    unmistakable = wanted.startswith("AT") or len(wanted) >= 4
    if kept and unmistakable and _squeeze(kept[0]).startswith(wanted):
        return (_after(kept[0], len(wanted)), *kept[1:])
    return kept


def _squeeze(text: str) -> str:
    return "".join(text.split()).upper()


def _after(line: str, characters: int) -> str:
    """Return `line` behind its first `characters` characters that are not spaces."""
    for position, character in enumerate(line):
        if characters == 0:
            return line[position:].strip()
        characters -= not character.isspace()
    return ""
