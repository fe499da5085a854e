"""Reads a session file of any origin: bounded, tolerant of damage, and fast.

A file is read in blocks that end at a line. A block is decoded in one call; only a block in
which that fails is decoded line by line, so that tolerance costs nothing where it is not needed.
"""

from __future__ import annotations

import gzip
import importlib
import zlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, cast

import msgspec

from obdlog.errors import SessionFileError, SessionVersionError
from obdlog.model import Exchange, Work
from obdlog.session.format import (
    KINDS,
    VERSION,
    AdapterRecord,
    EndRecord,
    ExchangeRecord,
    GapRecord,
    MarkRecord,
    ReadingRecord,
    Record,
    SessionHeader,
    WireRecord,
    exchange_from_record,
    printable,
)

BLOCK_BYTES = 1 << 18
LONGEST_LINE_BYTES = 1 << 20
MOST_BROKEN_LINES = 1000
LARGEST_UNPACKED_BYTES = 4 << 30
"""A compressed file that unpacks to more than this is an attack, not a drive."""

_DECODER = msgspec.json.Decoder(Record)
_TROUBLE = (msgspec.MsgspecError, UnicodeDecodeError, RecursionError, ValueError)


class _Kind(msgspec.Struct):
    kind: str = ""


_KIND_DECODER = msgspec.json.Decoder(_Kind)


@dataclass
class Session:
    """A session in memory; times are seconds since it began.

    `complete` is False when the recording was interrupted. `warnings` say in words what was
    left out.
    """

    path: Path
    header: SessionHeader
    exchanges: list[Exchange] = field(default_factory=list)
    adapter: list[AdapterRecord] = field(default_factory=list)
    marks: list[MarkRecord] = field(default_factory=list)
    gaps: list[GapRecord] = field(default_factory=list)
    wire: list[WireRecord] = field(default_factory=list)
    readings: list[ReadingRecord] = field(default_factory=list)
    end: EndRecord | None = None
    warnings: list[str] = field(default_factory=list)

    @property
    def complete(self) -> bool:
        """Whether the session was closed in order."""
        return self.end is not None


def read_session(path: Path | str) -> Session:
    """Return the whole session at `path`.

    Raises
    ------
    SessionFileError
        The file cannot be opened, is empty, or is not a session file.
    SessionVersionError
        The file is of a later format.
    """
    warnings: list[str] = []
    records = iter_records(path, warnings)
    session = Session(Path(path), cast("SessionHeader", next(records)), warnings=warnings)
    for record in records:
        match record:
            case ExchangeRecord():
                try:
                    session.exchanges.append(exchange_from_record(record))
                except ValueError as error:
                    warnings.append(f"an exchange at {record.at:.3f} s is left out: {error}")
            case AdapterRecord():
                record.identity = printable(record.identity)
                session.adapter.append(record)
            case MarkRecord():
                record.text = printable(record.text)
                session.marks.append(record)
            case GapRecord():
                record.cause = printable(record.cause)
                session.gaps.append(record)
            case WireRecord():
                session.wire.append(record)
            case ReadingRecord():
                session.readings.append(record)
            case EndRecord():
                session.end = record
            case SessionHeader():
                warnings.append("a second header within the file is left out")
        if len(warnings) > 2 * MOST_BROKEN_LINES:
            raise SessionFileError(f"{path} has too many broken lines", path=path)
    return session


def iter_records(path: Path | str, warnings: list[str] | None = None) -> Iterator[Record]:
    """Yield the header and then every record in file order; see `iter_blocks`."""
    for block in iter_blocks(path, warnings):
        yield from block


def iter_blocks(path: Path | str, warnings: list[str] | None = None) -> Iterator[list[Record]]:
    """Yield lists of records in file order; the first list holds the header alone.

    Unknown kinds are left out silently, broken lines with an entry in `warnings`; the payload
    texts are as they stand in the file, unchecked.

    Raises
    ------
    SessionFileError
        The file cannot be opened, is empty, is not a session file, or has more than
        `MOST_BROKEN_LINES` broken lines.
    SessionVersionError
        The file is of a later format.
    """
    path = Path(path)
    notes = warnings if warnings is not None else []
    first = True
    line = 1
    broken = 0
    for block in _text_blocks(path, notes):
        if first:
            head, _, block = block.partition(b"\n")
            yield [_parse_header(path, head)]
            first = False
            line = 2
        try:
            records = cast("list[Record]", _DECODER.decode_lines(block))
        except _TROUBLE:
            records, bad = _decode_each(block, line, notes)
            broken += bad
            if broken > MOST_BROKEN_LINES:
                raise SessionFileError(
                    f"{path} has more than {MOST_BROKEN_LINES} broken lines; it is not a "
                    "session file or is badly damaged",
                    path=path,
                ) from None
        line += block.count(b"\n")
        if records:
            yield records
    if first:
        raise SessionFileError(f"{path} is empty", path=path)


def _decode_each(block: bytes, line: int, notes: list[str]) -> tuple[list[Record], int]:
    records: list[Record] = []
    broken = 0
    for number, text in enumerate(block.split(b"\n"), line):
        if not text.strip():
            continue
        try:
            records.append(_DECODER.decode(text))
        except _TROUBLE:
            if _is_unknown_kind(text):
                continue
            try:
                records.append(_without_nulls(text, Record))
            except _TROUBLE as error:
                broken += 1
                notes.append(f"line {number} is left out: {_reason(error)}")
    return records, broken


def _without_nulls(text: bytes, kind: Any) -> Any:
    """Return the record in `text`, reading a field that is null as one that is absent."""
    fields = msgspec.json.decode(text, type=dict[str, Any])
    return msgspec.convert({k: v for k, v in fields.items() if v is not None}, kind)


def _is_unknown_kind(text: bytes) -> bool:
    try:
        kind = _KIND_DECODER.decode(text).kind
    except _TROUBLE:
        return False
    return kind != "" and kind not in KINDS


def _reason(error: Exception) -> str:
    if isinstance(error, RecursionError):
        return "it is nested too deeply"
    if isinstance(error, msgspec.ValidationError):
        return printable(str(error), 200)
    return "it is not a JSON object in UTF-8"


def _parse_header(path: Path, text: bytes) -> SessionHeader:
    text = text.removeprefix(b"\xef\xbb\xbf")
    try:
        probe = msgspec.json.decode(text, type=dict[str, msgspec.Raw])
    except _TROUBLE as error:
        raise SessionFileError(
            f"{path} is not a session file: its first line is not a JSON object",
            path=path,
            line=1,
        ) from error
    if bytes(probe.get("kind", b"")) != b'"session"':
        raise SessionFileError(
            f'{path} is not a session file: its first line is not of kind "session"',
            path=path,
            line=1,
        )
    version = bytes(probe.get("version", b""))
    if version.isdigit() and int(version[:9]) > VERSION:
        raise SessionVersionError(
            f"{path} is a session file of version {version[:9].decode()}; "
            f"this release reads version {VERSION}",
            path=path,
            line=1,
            hint="Read it with a newer release.",
        )
    try:
        header = cast("SessionHeader", _without_nulls(text, SessionHeader))
    except _TROUBLE as error:
        raise SessionFileError(
            f"{path} has a broken first line: {_reason(error)}", path=path, line=1
        ) from error
    if header.version != VERSION:
        raise SessionVersionError(
            f"{path} claims version {header.version}, which never was", path=path, line=1
        )
    for name in ("started", "software", "link", "transport", "protocol", "tables", "origin"):
        setattr(header, name, printable(getattr(header, name)))
    header.work = Work(
        tuple(map(printable, header.work.unplugged)), tuple(map(printable, header.work.replaced))
    )
    return header


def _text_blocks(path: Path, notes: list[str]) -> Iterator[bytes]:
    """Yield the file's text in blocks that end with a line; a torn last line is left out."""
    with ExitStack() as stack:
        stream = _open(path, stack)
        rest = b""
        total = 0
        while True:
            try:
                chunk = stream.read(BLOCK_BYTES)
            except (OSError, EOFError, zlib.error, ValueError, MemoryError) as error:
                if total == 0:
                    raise SessionFileError(
                        f"cannot read {path}: {stream_reason(error)}", path=path
                    ) from error
                notes.append(f"the file breaks off: {stream_reason(error)}")
                break
            except Exception as error:
                # zstandard raises an error class of its own, which is not there to be named
                # when that package is not installed.
                if type(error).__module__.partition(".")[0] != "zstandard":
                    raise
                raise SessionFileError(f"cannot unpack {path}", path=path) from error
            if not chunk:
                break
            total += len(chunk)
            if total > LARGEST_UNPACKED_BYTES:
                raise SessionFileError(f"{path} is too large", path=path)
            cut = chunk.rfind(b"\n") + 1
            if cut:
                yield rest + chunk[:cut]
                rest = chunk[cut:]
            else:
                rest += chunk
            if len(rest) > LONGEST_LINE_BYTES:
                raise SessionFileError(
                    f"{path} is not a session file: it has a line of more than "
                    f"{LONGEST_LINE_BYTES} bytes",
                    path=path,
                )
        yield from _last_line(path, rest, total, notes)


def _last_line(path: Path, rest: bytes, total: int, notes: list[str]) -> Iterator[bytes]:
    """Yield a last line without its line break when it is whole, else note that it is torn."""
    if not rest.strip():
        return
    try:
        _KIND_DECODER.decode(rest.removeprefix(b"\xef\xbb\xbf"))
    except _TROUBLE as error:
        if len(rest) == total:
            raise SessionFileError(
                f"{path} is not a session file, or breaks off within its first line",
                path=path,
                line=1,
            ) from error
        notes.append("the last line is torn and left out; the recording was interrupted")
        return
    yield rest


def _open(path: Path, stack: ExitStack) -> IO[bytes]:
    try:
        if path.exists() and not path.is_file():
            raise SessionFileError(f"{path} is not a file", path=path)
        stream: IO[bytes] = stack.enter_context(path.open("rb"))
    except FileNotFoundError as error:
        raise SessionFileError(f"there is no file {path}", path=path) from error
    except PermissionError as error:
        raise SessionFileError(f"not permitted to read {path}", path=path) from error
    except (OSError, ValueError) as error:
        raise SessionFileError(f"cannot open {path}: {error}", path=path) from error
    if path.suffix == ".gz":
        return cast("IO[bytes]", stack.enter_context(gzip.GzipFile(fileobj=stream)))
    if path.suffix == ".zst":
        try:
            zstandard = importlib.import_module("zstandard")
        except ImportError as error:
            raise SessionFileError(
                f"reading {path} needs the Python package zstandard",
                path=path,
                hint="Install it, or unpack the file first.",
            ) from error
        unpacker = zstandard.ZstdDecompressor()
        unpacked = unpacker.stream_reader(stream, read_across_frames=True)
        return cast("IO[bytes]", stack.enter_context(unpacked))
    return stream


def stream_reason(error: Exception, otherwise: str = "it cannot be read") -> str:
    """Return why a file, packed or not, cannot be read on; `otherwise` where no more is known."""
    if isinstance(error, EOFError):
        return "the compressed data end early"
    if isinstance(error, (gzip.BadGzipFile, zlib.error)):
        return "the compressed data are damaged"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return otherwise
