"""One adapter line in, header and bytes out; and what kind of header a line has."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from obdlog.errors import FramingError
from obdlog.framing import legacy
from obdlog.transport.base import BusProtocol

_HEX = re.compile(r"[0-9A-Fa-f]+")
_SEGMENT = re.compile(r"([0-9A-Fa-f]) ?:(.*)")
_MAX_SHOWN = 48
_MAX_CAN_BYTES = 8
_ID_29_FIRST_DIGITS = "01"


class Shape(StrEnum):
    """What the head of a line with headers on looks like."""

    CAN_11 = "can-11"
    CAN_29 = "can-29"
    SUM = "sum"
    CRC = "crc"


@dataclass(frozen=True, slots=True)
class Frame:
    """One CAN frame: identifier as upper-case hexadecimal text, and its data bytes."""

    source: str
    data: bytes


def quote(line: str) -> str:
    """Return `line` for a message to a person: short, printable, in quotes."""
    return ascii(line if len(line) <= _MAX_SHOWN else line[:_MAX_SHOWN] + "...")


def digits(line: str) -> str:
    """Return the hexadecimal digits of `line`, upper case, spaces taken out.

    Raises
    ------
    FramingError
        The line holds anything else, such as the error text an adapter attaches.
    """
    text = line.replace(" ", "")
    if not _HEX.fullmatch(text):
        raise FramingError(
            f"not a data line: {quote(line)}", raw=line.encode("utf-8", "backslashreplace")
        )
    return text.upper()


def segment(line: str) -> tuple[int, str] | None:
    """Return the number and the rest of a line such as ``1:47503030``, else None."""
    found = _SEGMENT.fullmatch(line.strip())
    return (int(found[1], 16), found[2]) if found else None


def to_bytes(text: str, line: str) -> bytes:
    """Return the bytes of the digits in `text`, which is part of `line`.

    Raises
    ------
    FramingError
        There is half a byte too many.
    """
    if len(text) % 2:
        raise FramingError(f"half a byte is missing: {quote(line)}", raw=text.encode("ascii"))
    return bytes.fromhex(text)


def parse_can_line(line: str, shape: Shape) -> Frame:
    """Return the frame of a line that starts with its identifier.

    Raises
    ------
    FramingError
        The line has no such identifier, no data, or more than eight data bytes.
    """
    text = digits(_without_length_digit(line))
    width = 3 if shape is Shape.CAN_11 else 8
    if not _has_identifier(text, shape):
        raise FramingError(
            f"no {11 if width == 3 else 29}-bit identifier at the head of {quote(line)}",
            raw=text.encode("ascii"),
        )
    data = to_bytes(text[width:], line)
    if not 1 <= len(data) <= _MAX_CAN_BYTES:
        raise FramingError(
            f"{len(data)} data bytes in a CAN frame: {quote(line)}", raw=text.encode("ascii")
        )
    return Frame(text[:width], data)


def _without_length_digit(line: str) -> str:
    """Return `line` without the data length digit some adapters print after the identifier."""
    parts = line.split(" ")
    at = 1 if len(parts[0]) == 3 else 4
    if len(parts) > at + 1 and parts[at] == str(len(parts) - at - 1):
        del parts[at]
    return " ".join(parts)


def _has_identifier(text: str, shape: Shape) -> bool:
    if shape is Shape.CAN_11:
        return len(text) % 2 == 1 and len(text) >= 5 and text[0] <= "7"
    return len(text) % 2 == 0 and len(text) >= 10 and text[0] in _ID_29_FIRST_DIGITS


def shape_of(protocol: BusProtocol) -> Shape:
    """Return the shape of the lines of `protocol`.

    ISO 9141-2 and ISO 14230-4 share one: an adapter's claim of one is no proof against the
    other, and their own header tells them apart.
    """
    if protocol.id_bits == 11:
        return Shape.CAN_11
    if protocol.id_bits == 29:
        return Shape.CAN_29
    return Shape.CRC if protocol.number in {"1", "2"} else Shape.SUM


def guess_shape(lines: Sequence[str]) -> Shape | None:
    """Return the shape that fits most of `lines`, None when none fits any.

    An 11-bit identifier makes the number of digits odd; legislated 29-bit identifiers begin
    with 18DA; the older buses are known by their checksum.
    """
    votes = dict.fromkeys(Shape, 0)
    for line in lines:
        try:
            text = digits(_without_length_digit(line))
        except FramingError:
            continue
        shape = _shape_of_digits(text)
        if shape is not None:
            votes[shape] += 1
    best = max(votes, key=votes.__getitem__)
    return best if votes[best] else None


def _shape_of_digits(text: str) -> Shape | None:
    if len(text) % 2:
        return Shape.CAN_11 if 5 <= len(text) <= 3 + 2 * _MAX_CAN_BYTES and text[0] <= "7" else None
    if text.startswith(("18DA", "18DB")) and 10 <= len(text) <= 8 + 2 * _MAX_CAN_BYTES:
        return Shape.CAN_29
    message = bytes.fromhex(text)
    if legacy.has_sum_header(message):
        return Shape.SUM
    if legacy.has_crc_header(message):
        return Shape.CRC
    return None


def fits(line: str, shape: Shape) -> bool:
    """Return whether `line` can be a line of `shape`, apart from its checksum."""
    try:
        text = digits(_without_length_digit(line))
    except FramingError:
        return False
    if shape in {Shape.CAN_11, Shape.CAN_29}:
        return _has_identifier(text, shape)
    return _shape_of_digits(text) is shape
