"""The binary formats of captures, each with python-can's reader and our bounds around it."""

from __future__ import annotations

import contextlib
import io
import logging
import sqlite3
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from obdlog.capture.frames import Tally, UnreadableError
from obdlog.capture.lines import MOST_BYTES, damage_text

if TYPE_CHECKING:
    from can import Message

MOST_BLOCK_BYTES = 64 << 20
"""Bound on one block of a BLF file after unpacking; usual ones have 128 KiB."""

MOST_MDF_BYTES = 1 << 30
_SUSPECT_BYTES = MOST_BLOCK_BYTES // 1032
"""DEFLATE shrinks at most 1032 to 1 (zlib's own documentation): a smaller block is safe."""

_CONTAINER_HEAD_BYTES = 16
_PADDING = 4


def blf_messages(stream: BinaryIO, tally: Tally) -> Iterator[Message]:
    """Yield the frames of a BLF file; what follows damage is not read.

    Raises
    ------
    UnreadableError
        The file is no BLF file.
    """
    from can import BLFReader

    bounded = _BlfStream(stream, tally)
    try:
        reader = BLFReader(cast("BinaryIO", bounded))
    except Exception as error:  # its own parse error has no public name
        raise UnreadableError(f"is no BLF file: {damage_text(error)}") from error
    bounded.reader = reader
    yield from _until_damage(reader, tally)


def mdf_messages(stream: BinaryIO, tally: Tally) -> Iterator[Message]:
    """Yield the frames of an MDF 4 file with bus logging (extra ``mdf``).

    Raises
    ------
    UnreadableError
        asammdf is not installed, or the file is no MDF 4 file, or too large.
    """
    from can import MF4Reader

    try:
        data = stream.read(MOST_MDF_BYTES + 1)
    except (EOFError, OSError, zlib.error) as error:
        raise UnreadableError(f"cannot be read: {damage_text(error)}") from error
    if len(data) > MOST_MDF_BYTES:
        raise UnreadableError("is too large: MDF files are read up to 1 GiB")
    try:
        reader = MF4Reader(io.BytesIO(data))
    except (ImportError, NotImplementedError) as error:
        raise UnreadableError(
            "is an MDF file, which needs the extra: pip install 'obdlog[mdf]'"
        ) from error
    except Exception as error:  # asammdf raises what its parsing happens to meet
        raise UnreadableError(f"is no MDF 4 file: {damage_text(error)}") from error
    with contextlib.closing(_Stopping(reader)):
        yield from _until_damage(reader, tally)


def sqlite_messages(path: Path, tally: Tally) -> Iterator[Message]:
    """Yield the frames of a database that python-can wrote.

    Raises
    ------
    UnreadableError
        The file is no such database, or holds rows that are no frames.
    """
    from can import SqliteReader

    _check_database(path)
    reader = SqliteReader(str(path))
    with contextlib.closing(_Stopping(reader)):
        yield from _until_damage(reader, tally)


def silence_logging() -> None:
    """Keep what the reading libraries log off the terminal: it quotes the file's own bytes."""
    for name in ("can", "asammdf"):
        logger = logging.getLogger(name)
        if not logger.handlers:
            logger.addHandler(logging.NullHandler())
        logger.propagate = False


class _Stopping:
    """Closes a reader, whatever state it is in."""

    def __init__(self, reader: Any) -> None:
        self._reader = reader

    def close(self) -> None:
        """Stop the reader; that it cannot is no news any more."""
        with contextlib.suppress(Exception):
            self._reader.stop()


def _until_damage(reader: Any, tally: Tally) -> Iterator[Message]:
    try:
        yield from reader
    except Exception as error:  # whatever a reader makes of hostile bytes
        tally.damage = damage_text(error)


class _BlfStream:
    """A BLF file that notices its early end, and blocks that unpack to more than is bearable."""

    def __init__(self, stream: BinaryIO, tally: Tally) -> None:
        self.reader: Any = None
        self._stream = stream
        self._tally = tally
        self._read = 0
        self._inside = False  # the head of a block was read, its body comes next

    def read(self, size: int) -> bytes:
        """Return the next `size` bytes, fewer at the end."""
        if size < 0:
            raise ValueError("a block of negative length")
        if size > MOST_BLOCK_BYTES or len(getattr(self.reader, "_tail", b"")) > MOST_BLOCK_BYTES:
            raise ValueError(f"a block claims more than {MOST_BLOCK_BYTES >> 20} MiB")
        data = self._stream.read(size)
        self._read += len(data)
        if self._read > MOST_BYTES:
            raise ValueError("it is longer than is read")
        if 0 < len(data) < size or (size > _PADDING and self.reader and not data and self._inside):
            self._tally.damage = "the file ends in the middle of a block"
        self._inside = size == _CONTAINER_HEAD_BYTES
        if size > _SUSPECT_BYTES:
            unpacker = zlib.decompressobj()
            with contextlib.suppress(zlib.error):
                unpacker.decompress(data[_CONTAINER_HEAD_BYTES:], MOST_BLOCK_BYTES)
                if unpacker.unconsumed_tail:
                    raise ValueError(f"a block unpacks to more than {MOST_BLOCK_BYTES >> 20} MiB")
        return data

    def close(self) -> None:
        """Do nothing: whoever opened the file closes it."""


def _check_database(path: Path) -> None:
    """Raise unless every row of the table can be a frame.

    A table may hold values of any type and size, and a view may never end.
    """
    uri = f"{path.absolute().as_uri()}?mode=ro"
    try:
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as database:
            kind = database.execute(
                "SELECT type FROM sqlite_master WHERE name = 'messages'"
            ).fetchone()
            if kind != ("table",):
                raise UnreadableError("is a database without a table of CAN frames")
            columns = [row[1] for row in database.execute("PRAGMA table_xinfo(messages)")]
            if columns != ["ts", "arbitration_id", "extended", "remote", "error", "dlc", "data"]:
                raise UnreadableError("is a database whose table is not one of CAN frames")
            odd = database.execute(
                "SELECT rowid FROM messages WHERE typeof(ts) NOT IN ('real', 'integer') "
                "OR typeof(arbitration_id) != 'integer' OR typeof(dlc) != 'integer' "
                "OR typeof(data) NOT IN ('blob', 'null') OR length(data) > 64 LIMIT 1"
            ).fetchone()
            if odd is not None:
                raise UnreadableError(f"is a database whose row {odd[0]} is no CAN frame")
    except sqlite3.Error as error:
        raise UnreadableError(f"is no database that can be read: {error}") from error
