"""The text formats of captures: their heads, and which lines are no frames.

Reading itself is python-can's; what stands here decides which lines it is given.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, ClassVar

if TYPE_CHECKING:
    from can import Message

CSV_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data"
_ERROR_FLAG = 0x2000_0000
_MAX_29_BIT = 0x1FFF_FFFF


class TextFormat(ABC):
    """What all text formats share; one object a file, because a format may count as it goes."""

    title: ClassVar[str] = ""
    head_end: ClassVar[tuple[str, ...]] = ()
    """Lines put behind the head so that python-can's reader knows where it ends."""

    @abstractmethod
    def reader(self, source: Any) -> Iterable[Message]:
        """Return python-can's reader of `source`."""

    def is_head(self, line: str, seen: int) -> bool:  # noqa: ARG002
        """Return whether `line`, after `seen` lines of the head, belongs to the head too."""
        return False

    def is_sticky(self, line: str) -> bool:  # noqa: ARG002
        """Return whether `line` changes how all later lines are read."""
        return False

    def check(self, line: str) -> tuple[str, str]:
        """Return the line to hand on, and what is wrong with it."""
        return line, ""

    def is_no_frame(self, line: str) -> bool:  # noqa: ARG002
        """Return whether a line that gave no frame is something that belongs there."""
        return False


class Candump(TextFormat):
    """``candump -l`` and ``-L`` of can-utils."""

    title = "candump log"
    _line = re.compile(
        r"(\(\d{1,12}(?:\.\d{1,9})?\) +\S{1,40} +)([0-9A-Fa-f]{1,8})"
        r"#(?:[Rr][0-9A-Fa-f]?|#?[0-9A-Fa-f]*)(_[0-9A-Fa-f])?( +[RrTt])?"
    )

    def reader(self, source: Any) -> Iterable[Message]:
        """Return python-can's reader of `source`."""
        from can import CanutilsLogReader

        return CanutilsLogReader(source)

    def check(self, line: str) -> tuple[str, str]:
        """Return the line as python-can takes it: error frames in the one form it knows."""
        found = self._line.fullmatch(line)
        if found is None:
            return line, "is no line of a candump log"
        if len(found[2]) <= 3:
            return line if found[3] is None else line.replace(found[3], "", 1), ""
        identifier = int(found[2], 16)
        if _ERROR_FLAG <= identifier < 2 * _ERROR_FLAG:
            return f"{found[1]}20000080#", ""
        if identifier > _MAX_29_BIT:
            return line, "has an identifier beyond 29 bits"
        return line if found[3] is None else line.replace(found[3], "", 1), ""


class Asc(TextFormat):
    """ASC logs: a head with date and number base, then one event a line."""

    title = "ASC log"
    head_end = ("internal events logged",)
    _statement = re.compile(
        r"(?:date|base|(?:no\s+)?internal events|begin triggerblock|end triggerblock|//)",
        re.IGNORECASE,
    )
    _head = re.compile(r"(?:date|base|(?:no\s+)?internal events|//)", re.IGNORECASE)
    _relative = re.compile(r"base\s+\w+\s+timestamps\s+relative", re.IGNORECASE)
    _trigger = re.compile(r"begin\s+triggerblock", re.IGNORECASE)
    _event = re.compile(r"(\d{1,12}\.\d{1,9})(?= )")
    _like_a_frame = re.compile(r"\S+ +(?:\d+ +[0-9A-Fa-f]+x?(?: |$)|CANFD)", re.IGNORECASE)

    def __init__(self) -> None:
        self._sum_s: float | None = None

    def reader(self, source: Any) -> Iterable[Message]:
        """Return python-can's reader of `source`, with absolute times where the head has one."""
        from can import ASCReader

        return ASCReader(source, relative_timestamp=False)

    def is_head(self, line: str, seen: int) -> bool:  # noqa: ARG002
        """Return whether `line` is a statement of the head."""
        if self._relative.match(line):
            self._sum_s = 0.0
        return self._head.match(line) is not None and "internal" not in line.lower()

    def is_sticky(self, line: str) -> bool:
        """Return whether `line` gives the moment from which times count."""
        return self._trigger.match(line) is not None

    def check(self, line: str) -> tuple[str, str]:
        """Return the line with its time counted from the start, also where it stood relative."""
        found = self._event.match(line)
        if found is None:
            known = self._statement.match(line) is not None
            return line, "" if known else "is no line of an ASC log"
        if self._sum_s is not None:
            self._sum_s += float(found[1])
            line = f"{self._sum_s:.9f}{line[found.end() :]}"
        return line, ""

    def is_no_frame(self, line: str) -> bool:
        """Return whether the line is a statement, or an event that is no frame."""
        return self._like_a_frame.match(line) is None


class Trc(TextFormat):
    """TRC traces, 1.0 to 2.1: comment lines that state version and columns, then frames."""

    title = "TRC trace"
    _others = frozenset({"ST", "ER", "EC", "EV", "ERROR", "WARNG", "FFFFFFFF"})

    def reader(self, source: Any) -> Iterable[Message]:
        """Return python-can's reader of `source`."""
        from can import TRCReader

        return TRCReader(source)

    def is_head(self, line: str, seen: int) -> bool:  # noqa: ARG002
        """Return whether `line` is a comment, of which the head consists."""
        return line.startswith(";")

    def is_no_frame(self, line: str) -> bool:
        """Return whether the line is a comment, or reports something other than a frame."""
        return line.startswith(";") or bool(self._others & {w.upper() for w in line.split()[:5]})


class CanCsv(TextFormat):
    """The CSV that python-can writes: one frame a line, data in base64."""

    title = "CSV of CAN frames"
    _line = re.compile(
        r"[^,]{1,40},(?:0[xX])?[0-9A-Fa-f]{1,9},[01],[01],[01],\d{1,3},[A-Za-z0-9+/]{0,88}={0,2}"
    )

    def reader(self, source: Any) -> Iterable[Message]:
        """Return python-can's reader of `source`."""
        from can import CSVReader

        return CSVReader(source)

    def is_head(self, line: str, seen: int) -> bool:  # noqa: ARG002
        """Return whether `line` is the first, which names the columns."""
        return seen == 0

    def check(self, line: str) -> tuple[str, str]:
        """Return the line; wrong when it has not the seven columns."""
        if line == CSV_HEAD or self._line.fullmatch(line):
            return line, ""
        return line, "has not the seven columns of a frame"
