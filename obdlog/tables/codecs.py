"""The few ways in which a field's bits become a value, each with its way back.

A codec is built once per table row. Numbers are kept as whole numerators over one denominator:
``(raw * num + off) / den`` in Python's integer division is the correctly rounded double of the
exact fraction, and the same three numbers serve the vectorised decoder.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Protocol

from obdlog.model import Value
from obdlog.tables.code_text import code_number, code_text


class Codec(Protocol):
    """Bits to value and back."""

    def decode(self, raw: int) -> Value:
        """Return the value of the field's unsigned bits."""

    def encode(self, value: Value) -> int:
        """Return the unsigned bits nearest to a value (ValueError when it makes no sense)."""


@dataclass(frozen=True, slots=True)
class Number:
    """``(raw * num + off) / den``, with `raw` in two's complement when `signed`."""

    num: int
    off: int
    den: int
    width: int
    signed: bool = False

    @classmethod
    def of(cls, scale: Fraction, offset: Fraction, width: int, signed: bool) -> Number:
        """Return the codec of an exact scale and offset."""
        den = math.lcm(scale.denominator, offset.denominator)
        return cls(int(scale * den), int(offset * den), den, width, signed)

    def decode(self, raw: int) -> int | float:
        """Return an int where scale and offset are whole, else the nearest double."""
        if self.signed and raw >> (self.width - 1):
            raw -= 1 << self.width
        total = raw * self.num + self.off
        return total if self.den == 1 else total / self.den

    def encode(self, value: Value) -> int:
        """Return the bits of the nearest representable value, clipped to the field."""
        if isinstance(value, str) or value is None or math.isnan(value):
            raise ValueError(f"{value!r} is not a number")
        low = -(1 << self.width - 1) if self.signed else 0
        high = low + (1 << self.width) - 1
        exact = (value * self.den - self.off) / self.num
        # Clipping first keeps infinity away from the conversion to int.
        raw = math.floor(min(max(exact, low), high) + 0.5)
        return raw & ((1 << self.width) - 1)


@dataclass(frozen=True, slots=True)
class Flag:
    """One bit; `inverted` where 0 means true (readiness)."""

    inverted: bool = False

    def decode(self, raw: int) -> bool:
        """Return whether the bit says yes."""
        return bool(raw) is not self.inverted

    def encode(self, value: Value) -> int:
        """Return the bit."""
        if value not in (True, False):
            raise ValueError(f"{value!r} is neither true nor false")
        return int(bool(value) is not self.inverted)


@dataclass(frozen=True, slots=True)
class Enumeration:
    """One text of a closed list; a number outside it is shown as reserved."""

    texts: Mapping[int, str]
    width: int

    def decode(self, raw: int) -> str:
        """Return the text of a number."""
        return self.texts.get(raw) or f"reserved (0x{raw:02X})"

    def encode(self, value: Value) -> int:
        """Return the number of a text, or of a plain number."""
        return _number_of(value, self.texts, self.width)


@dataclass(frozen=True, slots=True)
class Flags:
    """The texts of all bits that are set, joined; no bit at all has a text of its own.

    The list is keyed by mask (01, 02, 04 …) and by 00 for "no bit".
    """

    texts: Mapping[int, str]
    width: int
    separator: str

    def decode(self, raw: int) -> str:
        """Return the joined texts of the bits that are set."""
        if not raw:
            return self.texts.get(0, "none")
        masks = (1 << bit for bit in range(self.width))
        return self.separator.join(
            self.texts.get(mask) or f"reserved (0x{mask:02X})" for mask in masks if raw & mask
        )

    def encode(self, value: Value) -> int:
        """Return the bits of joined texts, or of a plain number."""
        if not isinstance(value, str):
            return _number_of(value, self.texts, self.width)
        if value in ("", self.decode(0)):
            return 0
        raw = 0
        for part in value.split(self.separator):
            raw |= _number_of(part, self.texts, self.width)
        return raw


@dataclass(frozen=True, slots=True)
class Bitmap:
    """Supported PIDs as text, ``01 03 04``: the first bit stands for the PID after `base`."""

    base: int
    width: int = 32

    def decode(self, raw: int) -> str:
        """Return the supported PIDs, two hexadecimal digits each."""
        top = self.width - 1
        # PID E0 has one bit more than there are PIDs.
        places = range(min(self.width, 0xFF - self.base))
        return " ".join(f"{self.base + 1 + n:02X}" for n in places if raw >> (top - n) & 1)

    def encode(self, value: Value) -> int:
        """Return the bitmap of a text of PIDs, or of a plain number."""
        if not isinstance(value, str):
            return _number_of(value, {}, self.width)
        raw = 0
        for text in value.split():
            place = int(text, 16) - self.base - 1
            if not 0 <= place < self.width:
                raise ValueError(f"PID {text} does not belong to bitmap {self.base:02X}")
            raw |= 1 << (self.width - 1 - place)
        return raw


@dataclass(frozen=True, slots=True)
class TroubleCode:
    """A trouble code of two bytes."""

    def decode(self, raw: int) -> str:
        """Return the text of the code."""
        return code_text(raw)

    def encode(self, value: Value) -> int:
        """Return the number of a code's text."""
        if not isinstance(value, str):
            raise ValueError(f"{value!r} is not the text of a trouble code")
        return code_number(value)


@dataclass(frozen=True, slots=True)
class Raw:
    """Bytes that no public source describes, shown as they are: ``0A 1B``."""

    size: int

    def decode(self, raw: int) -> str:
        """Return the bytes, two hexadecimal digits each."""
        return raw.to_bytes(self.size, "big").hex(" ").upper()

    def encode(self, value: Value) -> int:
        """Return the number of a text of bytes."""
        if not isinstance(value, str):
            raise ValueError(f"{value!r} is not a text of bytes")
        data = bytes.fromhex(value)
        if len(data) != self.size:
            raise ValueError(f"{value!r} is not {self.size} bytes")
        return int.from_bytes(data, "big")


NAMES: Final = frozenset(
    {"number", "signed", "flag", "ready", "enum", "flags", "set", "bitmap", "code", "raw"}
)
"""The codecs that a table row may name."""

NUMERIC: Final = frozenset({"number", "signed"})
LISTED: Final = frozenset({"enum", "flags", "set"})


def build_codec(
    name: str,
    *,
    pid: int,
    width: int,
    scale: Fraction,
    offset: Fraction,
    texts: Mapping[int, str],
) -> Codec:
    """Return the codec of a table row.

    Raises
    ------
    ValueError
        No codec has that name.
    """
    match name:
        case "number" | "signed":
            return Number.of(scale, offset, width, name == "signed")
        case "flag" | "ready":
            return Flag(inverted=name == "ready")
        case "enum":
            return Enumeration(texts, width)
        case "flags":
            return Flags(texts, width, "; ")
        case "set":
            return Flags(texts, width, " ")
        case "bitmap":
            return Bitmap(pid, width)
        case "code":
            return TroubleCode()
        case "raw":
            return Raw(width // 8)
    raise ValueError(f"unknown codec {name!r}")


def _number_of(value: Value, texts: Mapping[int, str], width: int) -> int:
    if isinstance(value, str):
        for raw, text in texts.items():
            if text == value:
                return raw
        digits = value.removeprefix("reserved (0x").removesuffix(")")
        if digits == value:
            raise ValueError(f"{value!r} is not in the list")
        value = int(digits, 16)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if not isinstance(value, int) or not 0 <= value < 1 << width:
        raise ValueError(f"{value!r} does not fit {width} bits")
    return int(value)
