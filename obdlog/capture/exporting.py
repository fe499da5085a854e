"""A session recorded on CAN as a capture that other programs read."""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.addresses import on_older_bus
from obdlog.capture.frames import LATEST_STAMP_S
from obdlog.capture.pairing import INFERRED
from obdlog.capture.rebuild import Rebuilder, RebuiltFrame, is_can
from obdlog.errors import InputFileError
from obdlog.session.reader import Session, read_session

if TYPE_CHECKING:
    from can import Message

SUFFIXES = frozenset({".log", ".asc"})
CHANNEL = "can0"


@dataclass(frozen=True, slots=True)
class ExportSummary:
    """What was written: `left_out` messages have no CAN frame, `unseen` requests were inferred."""

    frames: int
    messages: int
    left_out: int
    unseen: int


def export_capture(src: Path, dst: Path) -> ExportSummary:
    """Return what was written of the session `src` to the new capture `dst`, ``.log`` or ``.asc``.

    The frames are rebuilt from the messages: a session keeps no frames.

    Raises
    ------
    InputFileError
        The session was not recorded on CAN or holds no messages, or `dst` exists or cannot be
        written.
    ValueError
        The suffix is none of `SUFFIXES`.
    """
    suffix = dst.suffix.lower()
    if suffix not in SUFFIXES:
        raise ValueError(f"a capture is written as {' or '.join(sorted(SUFFIXES))}")
    session = read_session(src)
    rebuilder = Rebuilder(PROTOCOLS["7" if _extended(session, src) else "6"], INFERRED)
    zero_s = _stamp(session.header.started)
    try:
        with _new_file(dst) as file, _writer(suffix, file) as writer:
            for frame in rebuilder.frames_of(session.exchanges):
                writer.on_message_received(_message(frame, zero_s))
    except OSError as error:
        raise InputFileError(
            f"{dst} cannot be written: {(error.strerror or str(error)).lower()}", path=dst
        ) from error
    return ExportSummary(
        rebuilder.frames,
        sum(len(e.messages) for e in session.exchanges),
        rebuilder.left_out,
        rebuilder.unseen,
    )


def _extended(session: Session, path: Path) -> bool:
    """Return whether the session's identifiers have 29 bits.

    Raises
    ------
    InputFileError
        Nothing in the session was on a CAN bus.
    """
    sources = Counter(m.source for e in session.exchanges for m in e.messages)
    if any(map(on_older_bus, sources)):
        raise InputFileError(
            f"{path} was recorded on a bus before CAN; only CAN messages have CAN frames",
            path=path,
        )
    widths = Counter({3: 0, 8: 0})
    for source, count in sources.items():
        if is_can(source):
            widths[len(source)] += count
    if not any(widths.values()):
        raise InputFileError(f"{path} holds no messages of a CAN bus to write", path=path)
    return widths[8] > widths[3]


def _message(frame: RebuiltFrame, zero_s: float) -> Message:
    from can import Message

    return Message(
        timestamp=zero_s + frame.at_s,
        arbitration_id=int(frame.address, 16),
        is_extended_id=len(frame.address) == 8,
        is_rx=not frame.sent,
        data=frame.data,
        channel=0,
    )


def _writer(suffix: str, file: TextIO) -> Any:
    from can import ASCWriter, CanutilsLogWriter

    return CanutilsLogWriter(file, channel=CHANNEL) if suffix == ".log" else ASCWriter(file)


@contextlib.contextmanager
def _new_file(path: Path) -> Iterator[TextIO]:
    """Give a file that appears under its name only when it is whole, and replaces none."""
    if path.exists():
        raise InputFileError(f"{path} exists already; choose another name", path=path)
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with partial.open("x", encoding="utf-8", newline="\n") as file:
            yield file
        if path.exists():
            raise InputFileError(f"{path} exists already; choose another name", path=path)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def _stamp(started: str) -> float:
    """Return the moment a session began [s since 1970], 0 where it is not known."""
    try:
        moment = datetime.fromisoformat(started)
    except ValueError:
        return 0.0
    if moment.tzinfo is None:
        return 0.0
    stamp_s = moment.timestamp()
    return stamp_s if 0 <= stamp_s < LATEST_STAMP_S else 0.0
