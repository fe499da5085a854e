"""Strict reading of the signal table: one row per field of a PID, and per reading of it.

Columns of ``j1979_signals.csv``
--------------------------------
``pid`` two hexadecimal digits · ``name`` the acronym, unique to its PID · ``label`` in our own
words · ``lengths`` the data lengths in which the field occurs (``1|2``) · ``at`` where it starts:
byte letter after the PID (``A`` … ``Z``, ``AA`` …), with ``.4`` for the lowest bit of a part of a
byte · ``width`` in bits, most significant byte first: up to 32, whole bytes for codec ``raw`` ·
``codec`` from `obdlog.tables.codecs` · ``scale``, ``offset`` exact fractions · ``unit`` · ``low``,
``high`` the range · ``absent`` bits that mean "not available" · ``support`` the bit that must be
set for the field to hold a value · ``when`` a bit that must have a value for the row to apply at
all (``B.3=0``): two rows may give one name under opposite conditions · ``needs`` a mask in another
PID's reply without which the field is not available (``1D.A&30``) · ``sensor`` 1 to 8, the oxygen
sensor whose place PID 13 or 1D tells · ``override`` byte of another PID that, when not zero,
replaces the scale: byte, scale and offset per unit of that byte (``4F.C 1/32768 -1``) · ``lookup``
list of texts · ``source`` and ``checked`` keys of ``docs/references.md`` · ``note`` what a reader
of the value should know.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final, NamedTuple

from obdlog.tables import codecs
from obdlog.tables.loader import Row, exact, read_rows
from obdlog.tables.lookups import all_lookups

FILE: Final = "j1979_signals.csv"
COLUMNS: Final = (
    "pid", "name", "label", "lengths", "at", "width", "codec", "scale", "offset", "unit", "low",
    "high", "absent", "support", "when", "needs", "sensor", "override", "lookup", "source",
    "checked", "note",
)  # fmt: skip
MAX_LENGTH: Final = 64

_NAME: Final = re.compile(r"[A-Z][A-Z0-9_]*")
_PLACE: Final = re.compile(r"([A-Z]{1,2})(?:\.([0-7]))?")


class Bit(NamedTuple):
    """One bit (or a mask) of a data byte; `byte` counts from 0."""

    byte: int
    mask: int


class Need(NamedTuple):
    """Bits of another PID's reply of which at least one must be set."""

    pid: int
    byte: int
    mask: int


class Override(NamedTuple):
    """A byte of another PID that replaces the scale: scale and offset per unit of that byte."""

    pid: int
    byte: int
    scale: Fraction
    offset: Fraction


@dataclass(frozen=True, slots=True)
class Signal:
    """One row of the table; see the module for what the fields mean."""

    pid: int
    name: str
    label: str
    lengths: tuple[int, ...]
    byte: int
    bit: int
    width: int
    codec: str
    scale: Fraction
    offset: Fraction
    unit: str
    low: float | None
    high: float | None
    absent: frozenset[int]
    support: Bit | None
    when: Bit | None
    when_set: bool
    needs: Need | None
    sensor: int
    override: Override | None
    lookup: str
    source: str
    checked: str
    note: str
    conversion: codecs.Codec = field(compare=False, repr=False)

    @property
    def numeric(self) -> bool:
        """Whether values are numbers (and not texts or true/false)."""
        return self.codec in codecs.NUMERIC

    @property
    def span(self) -> int:
        """Number of data bytes that the field touches."""
        return (self.bit + self.width + 7) // 8

    @property
    def step(self) -> float:
        """Resolution of a numeric signal in its unit."""
        return float(abs(self.scale))


def parse_signals(text: str, file: str = FILE, *, skipped: int = 0) -> tuple[Signal, ...]:
    """Return the rows of a signal table.

    `skipped` lines of the file were left out behind its header.

    Raises
    ------
    TableError
        Anything is unknown, doubled, out of the field's reach or not where it can be.
    """
    rows: list[Signal] = []
    seen: dict[str, list[Signal]] = {}
    for row in read_rows(text, COLUMNS, file, skipped=skipped):
        signal = _parse_row(row)
        for other in seen.setdefault(signal.name, []):
            if other.pid != signal.pid or not _exclusive(other, signal):
                raise row.error(f"signal {signal.name} stands twice")
        seen[signal.name].append(signal)
        rows.append(signal)
    return tuple(rows)


def _exclusive(one: Signal, other: Signal) -> bool:
    """Return whether no reply can match both rows."""
    if not set(one.lengths) & set(other.lengths):
        return True
    return one.when is not None and one.when == other.when and one.when_set is not other.when_set


def _parse_row(row: Row) -> Signal:
    cell = row.cells
    pid = row.whole("pid", 16)
    if not 0 <= pid <= 0xFF or len(cell["pid"]) != 2:
        raise row.error(f"pid: {cell['pid']!r} is not two hexadecimal digits")
    if not _NAME.fullmatch(cell["name"]):
        raise row.error(f"name: {cell['name']!r} is not an acronym in capitals")
    row.need("label", "source", "checked")
    if cell["codec"] not in codecs.NAMES:
        raise row.error(f"unknown codec {cell['codec']!r}")
    unit = row.unit()
    sizes = _parse_lengths(row)
    byte, bit = _place(row, "at", cell["at"])
    width = row.whole("width")
    _check_reach(row, byte, bit, width, min(sizes))
    scale, offset = row.fraction("scale", "1"), row.fraction("offset", "0")
    when, when_set = _parse_when(row)
    support = _parse_bit(row, "support", cell["support"])
    for condition in (when, support):
        if condition is not None and condition.byte >= min(sizes):
            raise row.error("a condition's bit lies beyond the data")
    signal = Signal(
        pid=pid,
        name=cell["name"],
        label=cell["label"],
        lengths=sizes,
        byte=byte,
        bit=bit,
        width=width,
        codec=cell["codec"],
        scale=scale,
        offset=offset,
        unit=unit,
        low=None,
        high=None,
        absent=_parse_absent(row, width),
        support=support,
        when=when,
        when_set=when_set,
        needs=_parse_needs(row),
        sensor=_parse_sensor(row),
        override=_parse_override(row),
        lookup=cell["lookup"],
        source=cell["source"],
        checked=cell["checked"],
        note=cell["note"],
        conversion=codecs.build_codec(
            cell["codec"],
            pid=pid,
            width=width,
            scale=scale,
            offset=offset,
            texts=_texts(row),
        ),
    )
    return _with_range(row, signal)


def _parse_lengths(row: Row) -> tuple[int, ...]:
    text = row.cells["lengths"]
    try:
        sizes = tuple(int(part) for part in text.split("|"))
    except ValueError:
        sizes = ()
    if (
        not sizes
        or list(sizes) != sorted(set(sizes))
        or not 0 < sizes[0] <= sizes[-1] <= MAX_LENGTH
    ):
        raise row.error(f"lengths: {text!r} is not a rising list of lengths up to {MAX_LENGTH}")
    return sizes


def _place(row: Row, column: str, text: str) -> tuple[int, int]:
    """Return byte (from 0) and lowest bit of ``B`` or ``B.4``."""
    match = _PLACE.fullmatch(text)
    if match is None:
        raise row.error(f"{column}: {text!r} is not a byte letter with an optional bit")
    number = 0
    for letter in match[1]:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1, int(match[2] or 0)


def _check_reach(row: Row, byte: int, bit: int, width: int, length: int) -> None:
    if row.cells["codec"] == "raw":
        if bit or not width or width % 8:
            raise row.error(f"width: {width} bits are not whole bytes")
    elif not 1 <= width <= 32:
        raise row.error(f"width: {width} is not 1 to 32 bits")
    if byte + (bit + width + 7) // 8 > length:
        raise row.error(f"the field ends beyond {length} data bytes")
    if bit and bit + width > 8:
        raise row.error("a field that starts inside a byte must end in it")


def _parse_bit(row: Row, column: str, text: str) -> Bit | None:
    if not text:
        return None
    if "." not in text:
        raise row.error(f"{column}: {text!r} does not name a bit")
    byte, bit = _place(row, column, text)
    return Bit(byte, 1 << bit)


def _parse_when(row: Row) -> tuple[Bit | None, bool]:
    text = row.cells["when"]
    if not text:
        return None, True
    place, _, state = text.partition("=")
    if state not in ("0", "1"):
        raise row.error(f"when: {text!r} is not a bit with =0 or =1")
    return _parse_bit(row, "when", place), state == "1"


def _parse_needs(row: Row) -> Need | None:
    text = row.cells["needs"]
    if not text:
        return None
    match = re.fullmatch(r"([0-9A-F]{2})\.([A-Z])&([0-9A-F]{2})", text)
    if match is None:
        raise row.error(f"needs: {text!r} is not like 1D.A&30")
    return Need(int(match[1], 16), ord(match[2]) - ord("A"), int(match[3], 16))


def _parse_sensor(row: Row) -> int:
    text = row.cells["sensor"]
    if not re.fullmatch(r"[1-8]?", text):
        raise row.error(f"sensor: {text!r} is not 1 to 8")
    return int(text or 0)


def _parse_override(row: Row) -> Override | None:
    text = row.cells["override"]
    if not text:
        return None
    match = re.fullmatch(r"([0-9A-F]{2})\.([A-D]) (\S+) (\S+)", text)
    if match is None or row.cells["codec"] != "number":
        raise row.error(f"override: {text!r} is not like 4F.C 1/32768 -1 on a plain number")
    try:
        scale, offset = exact(match[3]), exact(match[4])
    except ValueError:
        raise row.error(f"override: {text!r} holds no fractions") from None
    return Override(int(match[1], 16), ord(match[2]) - ord("A"), scale, offset)


def _parse_absent(row: Row, width: int) -> frozenset[int]:
    parts = row.cells["absent"].split("|") if row.cells["absent"] else []
    try:
        found = frozenset(int(part, 16) for part in parts)
    except ValueError:
        raise row.error(f"absent: {row.cells['absent']!r} is not hexadecimal") from None
    if any(not 0 <= raw < 1 << width for raw in found):
        raise row.error("absent: a value does not fit the field")
    return found


def _texts(row: Row) -> Mapping[int, str]:
    name = row.cells["lookup"]
    if bool(name) is not (row.cells["codec"] in codecs.LISTED):
        raise row.error(f"codec {row.cells['codec']!r} and lookup {name!r} do not go together")
    if not name:
        return {}
    if name not in all_lookups():
        raise row.error(f"unknown lookup {name!r}")
    return all_lookups()[name]


def _with_range(row: Row, signal: Signal) -> Signal:
    """Return the signal with its range, which must lie within what the field can say."""
    stated = bool(row.cells["low"]), bool(row.cells["high"])
    if not signal.numeric:
        if any(stated) or row.cells["scale"] or row.cells["offset"] or signal.unit:
            raise row.error(f"codec {signal.codec!r} has no scale, offset, unit or range")
        return signal
    if not all(stated) or not row.cells["scale"]:
        raise row.error("a number needs scale, low and high")
    if not signal.scale:
        raise row.error("scale is zero")
    first = -(1 << signal.width - 1) if signal.codec == "signed" else 0
    ends = [raw * signal.scale + signal.offset for raw in (first, first + (1 << signal.width) - 1)]
    low, high = row.fraction("low"), row.fraction("high")
    if not min(ends) <= low < high <= max(ends):
        raise row.error(f"range {low} to {high} lies beyond the field's {min(ends)} to {max(ends)}")
    _check_exact(row, signal.scale, signal.offset, signal.width)
    if signal.override is not None:
        rule = signal.override
        _check_exact(row, 255 * rule.scale, 255 * rule.offset, signal.width)
    return replace(signal, low=float(low), high=float(high))


def _check_exact(row: Row, scale: Fraction, offset: Fraction, width: int) -> None:
    """Refuse what doubles cannot compute exactly: the vectorised decoder works in them."""
    number = codecs.Number.of(scale, offset, width, False)
    if max((abs(number.num) << width) + abs(number.off), number.den) >= 1 << 53:
        raise row.error("scale and offset are too fine for exact arithmetic in doubles")
