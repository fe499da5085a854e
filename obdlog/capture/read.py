"""A capture file of any format in, the frames that may be diagnostic out."""

from __future__ import annotations

import contextlib
import gzip
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast

from obdlog.capture.binary_formats import (
    blf_messages,
    mdf_messages,
    silence_logging,
    sqlite_messages,
)
from obdlog.capture.frames import (
    ECHO_WITHIN_S,
    MOST_FRAMES,
    MOST_KEPT_FRAMES,
    STAMP_ERROR_S,
    Sender,
    Steady,
    Store,
    Tally,
    UnreadableError,
    may_be_diagnostic,
    problem_of,
)
from obdlog.capture.lines import LineSource, messages_of
from obdlog.capture.text_formats import CSV_HEAD, Asc, CanCsv, Candump, TextFormat, Trc
from obdlog.errors import InputFileError
from obdlog.session.format import printable

if TYPE_CHECKING:
    from can import Message

Progress = Callable[[int], None]

LARGEST_FILE_BYTES = 8 << 30
PROGRESS_EVERY = 100_000
_GZIP = b"\x1f\x8b"
_SNIFFED_BYTES = 4096
_TEXT: dict[str, type[TextFormat]] = {"log": Candump, "asc": Asc, "trc": Trc, "csv": CanCsv}
_MAGIC = {b"LOGG": "blf", b"MDF ": "mf4", b"SQLite format 3\0": "db"}
_TITLES = {"blf": "BLF file", "mf4": "MDF 4 file", "db": "database of CAN frames"}
FORMATS = (*_TEXT, *_TITLES)


@dataclass(frozen=True, slots=True)
class Capture:
    """A capture that was read: `started_s` is its first frame's stamp, `seconds` its length [s]."""

    title: str
    tally: Tally
    store: Store
    started_s: float
    seconds: float
    is_text: bool


def capture_format(path: Path) -> str | None:
    """Return the format of the capture at `path`, None where it is something else.

    What the file begins with counts more than its suffix; ``.gz`` is looked into.
    """
    try:
        if not path.is_file():
            return None
        start = _start_of(path)
    except OSError:
        return None
    for magic, name in _MAGIC.items():
        if start.startswith(magic):
            return name
    suffixes = [s.lower().removeprefix(".") for s in path.suffixes]
    suffix = (
        suffixes[-2] if suffixes[-1:] == ["gz"] and len(suffixes) > 1 else "".join(suffixes[-1:])
    )
    lines = start.decode("utf-8", "replace").removeprefix("\ufeff").splitlines()
    first = next((line.strip() for line in lines if line.strip()), "")
    if suffix == "csv" or first == CSV_HEAD:
        return "csv" if first == CSV_HEAD else None
    if first and not Candump().check(first)[1]:
        return "log"
    if first.startswith(";$FILEVERSION"):
        return "trc"
    if first.lower().startswith("date ") and any(s.lower().startswith("base ") for s in lines[:3]):
        return "asc"
    return suffix if suffix in FORMATS else None


def read_capture(path: Path, progress: Progress | None = None) -> Capture:
    """Return what the capture at `path` holds; see `capture_format` for how it is told.

    Raises
    ------
    InputFileError
        The file is missing, empty, too large, no capture of its format, or holds no frames.
    """
    name = capture_format(path)
    try:
        if not path.is_file():
            raise UnreadableError("is not a file" if path.exists() else "does not exist")
        size = path.stat().st_size
        if size == 0:
            raise UnreadableError("is empty")
        if size > LARGEST_FILE_BYTES:
            raise UnreadableError("is too large")
        if name is None:
            raise UnreadableError("is no capture of a format that is read")
        return _read(path, name, progress)
    except UnreadableError as error:
        hint = "candump writes such a log with -l or -L." if name == "log" else ""
        raise InputFileError(
            f"{path} {printable(str(error), 300)}", path=path, hint=hint
        ) from error
    except OSError as error:
        reason = (error.strerror or "it cannot be read").lower()
        raise InputFileError(f"{path} cannot be read: {reason}", path=path) from error


def _read(path: Path, name: str, progress: Progress | None) -> Capture:
    silence_logging()
    tally, store, clock = Tally(), Store(), Steady()
    with contextlib.closing(_open(path)) as stream:
        form = _TEXT[name]() if name in _TEXT else None
        title = form.title if form else _TITLES[name]
        if form is not None:
            source = LineSource(stream, form, tally)
            _gather(messages_of(source, form), tally, store, clock, progress, source)
        else:
            _gather(_binary(path, stream, name, tally), tally, store, clock, progress, None)
    if not tally.frames:
        why = tally.damage or (
            f"line {tally.skipped_lines[0].number} {tally.skipped_lines[0].reason}"
            if tally.skipped_lines
            else "no frame in it"
        )
        raise UnreadableError(f"holds nothing that a {title} holds: {why}")
    tally.odd_times = clock.odd
    store.tells_echoes = clock.shortest_s <= ECHO_WITHIN_S + STAMP_ERROR_S
    tally.echoes = store.echoes
    return Capture(title, tally, store, clock.first_stamp_s, clock.at_s, form is not None)


def _binary(path: Path, stream: BinaryIO, name: str, tally: Tally) -> Iterator[Message]:
    if name == "blf":
        return blf_messages(stream, tally)
    if name == "mf4":
        return mdf_messages(stream, tally)
    if path.suffix.lower() == ".gz":
        raise UnreadableError("is a packed database; unpack it first")
    return sqlite_messages(path, tally)


def _gather(
    messages: Iterator[Message],
    tally: Tally,
    store: Store,
    clock: Steady,
    progress: Progress | None,
    source: LineSource | None,
) -> None:
    """Count all frames of a capture and keep those that may be diagnostic."""
    place = clock.place
    for message in messages:
        problem = problem_of(message)
        if problem:
            number = source.number if source else tally.frames + tally.skipped + 1
            tally.skip(number, problem)
            continue
        tally.frames += 1
        if tally.frames % PROGRESS_EVERY == 0 and progress is not None:
            progress(tally.frames)
        if tally.frames > MOST_FRAMES:
            tally.frames -= 1
            tally.damage = f"more than {MOST_FRAMES:,} frames; the rest was not read"
            return
        at_s = place(message.timestamp)
        if message.is_error_frame:
            tally.error_frames += 1
            continue
        if message.is_remote_frame:
            tally.remote_frames += 1
            continue
        tally.fd_frames += message.is_fd
        identifier, extended = message.arbitration_id, message.is_extended_id
        if not message.data or not may_be_diagnostic(identifier, extended):
            continue
        channel = "" if message.channel is None else printable(str(message.channel), 40)
        if not store.add(at_s, Sender(channel, identifier, extended), message.data):
            tally.damage = (
                f"more than {MOST_KEPT_FRAMES:,} frames that may be diagnostic; "
                "the rest was not read"
            )
            return


def _start_of(path: Path) -> bytes:
    with path.open("rb") as raw:
        start = raw.read(_SNIFFED_BYTES)
    if start.startswith(_GZIP):
        with contextlib.suppress(EOFError, zlib.error, gzip.BadGzipFile), gzip.open(path) as file:
            return file.read(_SNIFFED_BYTES)
    return start


def _open(path: Path) -> BinaryIO:
    with path.open("rb") as raw:
        packed = raw.read(len(_GZIP)) == _GZIP
    return cast("BinaryIO", gzip.open(path) if packed else path.open("rb"))
