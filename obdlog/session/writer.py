"""Writes a session file, one whole line at a time, so that a crash costs at most one line."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import msgspec

from obdlog.clock import Clock, SystemClock
from obdlog.errors import SessionFileError
from obdlog.model import Exchange, Outcome, WireChunk
from obdlog.session.format import (
    AdapterRecord,
    EndRecord,
    GapRecord,
    MarkRecord,
    ReadingRecord,
    Record,
    Scalar,
    SessionHeader,
    record_from_exchange,
    record_from_wire,
    relative_s,
)

SYNC_EVERY_S = 1.0


class SessionWriter:
    """An append-only session file that never overwrites another.

    Parameters
    ----------
    path : Path
        The file to create; its folder must exist.
    header : SessionHeader
        The first line, written and synced at once.
    clock : Clock
        The clock of the exchanges (the transport's): times are counted from its reading now.
    disk_clock : Clock
        The clock by which the file is synced to disk, real time unless a test moves it.

    Raises
    ------
    SessionFileError
        The file exists, cannot be created or, later, cannot be written. What was written whole
        before stays readable.
    """

    def __init__(
        self,
        path: Path | str,
        header: SessionHeader,
        clock: Clock | None = None,
        disk_clock: Clock | None = None,
    ) -> None:
        self.path = Path(path)
        self._clock = clock or SystemClock()
        self._disk_clock = disk_clock or SystemClock()
        self.origin_s = self._clock.now_s()
        self.counts = dict.fromkeys(("exchanges", "messages", "lost", "marks", "gaps"), 0)
        self._encode = msgspec.json.Encoder().encode
        self._synced_s = self._disk_clock.now_s()
        self._fd = self._create()
        # What is whole on disk, and the line on its way: one attribute, so that an interrupt
        # between two statements can never make the two disagree.
        self._state: tuple[int, bytes] = (0, b"")
        try:
            self._append(header)
            self.sync()
            self._sync_folder()
        except SessionFileError:
            self.close()
            with contextlib.suppress(OSError):
                self.path.unlink()
            raise

    def exchange(self, exchange: Exchange) -> None:
        """Append an exchange."""
        self._append(record_from_exchange(exchange, self.origin_s))
        self.counts["exchanges"] += 1
        self.counts["messages"] += len(exchange.messages)
        self.counts["lost"] += exchange.outcome is Outcome.LOST

    def adapter(
        self,
        *,
        voltage_v: float | None = None,
        identity: str = "",
        capability: dict[str, Any] | None = None,
        at_s: float | None = None,
    ) -> None:
        """Append facts about the adapter: supply voltage [V], its claim, its abilities."""
        self._append(
            AdapterRecord(self._at(at_s), voltage_v, _encodable(identity), capability or {})
        )

    def mark(self, text: str, at_s: float | None = None) -> None:
        """Append what the user noted."""
        self._append(MarkRecord(self._at(at_s), _encodable(text)))
        self.counts["marks"] += 1

    def gap(self, from_s: float, until_s: float, cause: str) -> None:
        """Append a stretch without data, from and until a reading of the clock [s]."""
        start = self._at(from_s)
        self._append(GapRecord(start, max(start, self._at(until_s)), _encodable(cause)))
        self.counts["gaps"] += 1

    def wire(self, chunk: WireChunk) -> None:
        """Append raw text of the link."""
        self._append(record_from_wire(chunk, self.origin_s))

    def reading(
        self, signal: str, value: Scalar, unit: str, *, at_s: float, source: str = "unknown"
    ) -> None:
        """Append an imported value that has no raw bytes."""
        self._append(
            ReadingRecord(self._at(at_s), _encodable(signal), value, unit, _encodable(source))
        )

    def sync(self) -> None:
        """Return when all that was written has reached the disk."""
        try:
            os.fsync(self._open_fd())
        except OSError as error:
            raise self._failure(error) from error
        self._synced_s = self._disk_clock.now_s()

    def end(self, reason: str) -> None:
        """Append the last line with its counts, sync and close; harmless when closed."""
        if self._fd is None:
            return
        try:
            self._append(EndRecord(self._at(None), _encodable(reason), dict(self.counts)))
            self.sync()
        finally:
            self.close()

    def close(self) -> None:
        """Close without a last line, as an interrupted session is; harmless when closed."""
        fd, self._fd = self._fd, None
        if fd is not None:
            with contextlib.suppress(OSError):
                os.close(fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self.end("finished")
            return
        with contextlib.suppress(SessionFileError):  # the first error is the one to report
            self.end("interrupted" if issubclass(kind, KeyboardInterrupt) else "fault")

    def _create(self) -> int | None:
        flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0)
        try:
            return os.open(self.path, flags, 0o600)
        except FileExistsError as error:
            raise SessionFileError(
                f"{self.path} exists already; a session never overwrites a file",
                path=self.path,
                hint="Choose another name.",
            ) from error
        except (OSError, ValueError) as error:
            raise SessionFileError(
                f"cannot create {self.path}: {_cause(error)}", path=self.path
            ) from error

    def _sync_folder(self) -> None:
        """Put the file's name on disk too, where the system lets a folder be synced (POSIX)."""
        if os.name != "posix":
            return
        try:
            folder = os.open(self.path.absolute().parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise self._failure(error) from error

    def _at(self, at_s: float | None) -> float:
        return relative_s(self._clock.now_s() if at_s is None else at_s, self.origin_s)

    def _append(self, record: Record) -> None:
        self._open_fd()
        if self._state[1]:
            self._finish()  # an interrupt left a line half written
        self._state = (self._state[0], self._encode(record) + b"\n")
        self._finish()
        if self._disk_clock.now_s() - self._synced_s >= SYNC_EVERY_S:
            self.sync()

    def _finish(self) -> None:
        """Write what is missing of the current line; the file itself says how much is there."""
        fd = self._open_fd()
        size, line = self._state
        end = size + len(line)
        try:
            while (here := os.fstat(fd).st_size) < end:
                os.write(fd, line[here - size :])
        except OSError as error:
            self._state = (size, b"")
            with contextlib.suppress(OSError):
                os.ftruncate(fd, size)  # a disk that filled up keeps no half line
            raise self._failure(error) from error
        self._state = (end, b"")

    def _open_fd(self) -> int:
        if self._fd is None:
            raise SessionFileError(f"{self.path} is closed", path=self.path)
        return self._fd

    def _failure(self, error: OSError) -> SessionFileError:
        return SessionFileError(
            f"cannot write {self.path}: {_cause(error)}; all before it is kept",
            path=self.path,
            hint="Free some space or choose another disk.",
        )


def _encodable(text: str) -> str:
    """Return `text` with half surrogates (from odd file names or arguments) made harmless."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _cause(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return str(error)
