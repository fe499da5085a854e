"""The lines of a text capture, handed to python-can's readers one at a time.

Those readers end at the first line that they cannot read. Here the line is left out and said, and
a new reader goes on behind it, with the head of the file before it.
"""

from __future__ import annotations

import gzip
import zlib
from collections import deque
from collections.abc import Iterator
from typing import TYPE_CHECKING, BinaryIO

from obdlog.capture.frames import Tally, UnreadableError
from obdlog.session.reader import stream_reason

if TYPE_CHECKING:
    from can import Message

    from obdlog.capture.text_formats import TextFormat

LONGEST_LINE_BYTES = 1 << 16
MOST_BYTES = 8 << 30
"""Bound on what is read, counted after unpacking."""

MOST_HEAD_LINES = 1000
MOST_SKIPPED = 1000
"""More broken lines than this, and more than frames: the file is something else."""

_UNPACKING = (EOFError, gzip.BadGzipFile, zlib.error, OSError)


class LineSource:
    """A text file as python-can's readers see it, from which broken lines were taken out."""

    def __init__(self, stream: BinaryIO, form: TextFormat, tally: Tally) -> None:
        self.number = 0
        self.done = False
        self._stream = stream
        self._form = form
        self._tally = tally
        self._read = 0
        self._head: list[tuple[int, str]] = []
        self._replay: deque[tuple[int, str]] = deque()
        self._waiting: deque[tuple[int, str]] = deque()
        self._shown: tuple[int, str] | None = None
        self._in_head = False
        self._read_head()

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        """Return the next line; the one before, when it gave no frame, was something else."""
        if self._replay:
            self._in_head = True
            self._shown = self._replay.popleft()
            return self._shown[1]
        self._settle()
        self._in_head = False
        line = self._waiting.popleft() if self._waiting else self._next_line()
        if line is None:
            self.done = True
            raise StopIteration
        if self._form.is_sticky(line[1]):
            self._head = [entry for entry in self._head if not self._form.is_sticky(entry[1])]
            self._head.append(line)
        self._shown = line
        return line[1]

    def close(self) -> None:
        """Do nothing: the reader that calls this may not be the last."""

    def restart(self) -> None:
        """Hand out the head of the file once more, then the lines that were not yet read."""
        self._shown = None
        self._replay = deque([*self._head])
        self._in_head = True

    def gave_a_frame(self) -> None:
        """Take note that the line handed out last became a frame."""
        self._shown = None

    def blame(self, reason: str) -> bool:
        """Leave out the line that a reader failed at; False when no line is to blame."""
        if self._shown is None:
            return False
        number, _ = self._shown
        self._head = [entry for entry in self._head if entry is not self._shown]
        self._shown = None
        self._skip(number, reason)
        return True

    def _settle(self) -> None:
        if self._shown is None or self._in_head:
            self._shown = None
            return
        number, text = self._shown
        self._shown = None
        if not self._form.is_no_frame(text):
            self._skip(number, "is no frame that can be read")

    def _skip(self, number: int, reason: str) -> None:
        tally = self._tally
        tally.skip(number, reason)
        if tally.skipped > MOST_SKIPPED and tally.skipped > tally.frames:
            first = tally.skipped_lines[0]
            raise UnreadableError(
                f"is no {self._form.title}: {tally.skipped} broken lines and {tally.frames} "
                f"frames; line {first.number} {first.reason}"
            )

    def _read_head(self) -> None:
        while len(self._head) < MOST_HEAD_LINES:
            line = self._next_line()
            if line is None:
                break
            if not self._form.is_head(line[1], len(self._head)):
                self._waiting.append(line)
                break
            self._head.append(line)
        self._head += [(0, text) for text in self._form.head_end]

    def _next_line(self) -> tuple[int, str] | None:
        """Return the number and text of the next line that is not blank and not broken."""
        while True:
            try:
                raw = self._stream.readline(LONGEST_LINE_BYTES + 1)
            except _UNPACKING as error:
                self._tally.damage = damage_text(error)
                return None
            if not raw:
                return None
            self.number += 1
            if len(raw) > LONGEST_LINE_BYTES:
                self._pass_rest()
                self._skip(self.number, "is too long")
                continue
            self._read += len(raw)
            if self._read > MOST_BYTES:
                self._tally.damage = "it is longer than is read"
                return None
            text = _decoded(raw).replace("\t", " ").strip(" \r\n")
            if self.number == 1:
                text = text.removeprefix("\ufeff")
            if not text:
                continue
            if not text.isprintable():
                self._skip(self.number, "holds control characters")
                continue
            text, problem = self._form.check(text)
            if problem:
                self._skip(self.number, problem)
                continue
            return self.number, text

    def _pass_rest(self) -> None:
        """Read past the rest of a line that is too long."""
        while True:
            try:
                rest = self._stream.readline(LONGEST_LINE_BYTES)
            except _UNPACKING:
                return
            self._read += len(rest)
            if not rest or rest.endswith(b"\n") or self._read > MOST_BYTES:
                return


def messages_of(source: LineSource, form: TextFormat) -> Iterator[Message]:
    """Yield the frames of `source`; what a reader fails at is left out and counted.

    Raises
    ------
    UnreadableError
        Nearly nothing in it is of this format.
    """
    while not source.done:
        source.restart()
        try:
            for message in form.reader(source):
                source.gave_a_frame()
                yield message
        except UnreadableError:
            raise
        except Exception as error:  # whatever a reader makes of a hostile line
            if not source.blame(reason_of(error)):
                raise UnreadableError(f"is no {form.title}: {reason_of(error)}") from error
        else:
            return


def reason_of(error: Exception) -> str:
    """Return a short reason for a reader's failure."""
    text = str(error) or type(error).__name__
    return f"cannot be read: {text}"


def damage_text(error: Exception) -> str:
    """Return what is wrong with a stream that cannot be read on."""
    return stream_reason(error, str(error) or type(error).__name__)


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")
