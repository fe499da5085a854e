"""Units and scales of on-board test results (service 06 on CAN)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from types import MappingProxyType
from typing import Final

from obdlog.errors import TableError
from obdlog.tables.codecs import Number
from obdlog.tables.loader import package_text, read_rows

FILE: Final = "j1979_uasid.csv"
COLUMNS: Final = ("id", "signed", "scale", "offset", "unit", "source", "checked")

_SIGNED_FROM: Final = 0x80
_NOT_LISTED: Final = "no public list assigns this identifier: numbers are shown as sent"


@dataclass(frozen=True, slots=True)
class Scaling:
    """Unit and scale of 16-bit test values; identifiers from 80 are two's complement.

    `listed` is False for an identifier that no public list assigns: its values are the numbers
    as sent, without a unit, and `checked` says so.
    """

    id: int
    unit: str
    scale: Fraction
    offset: Fraction
    signed: bool
    source: str
    checked: str
    conversion: Number = field(compare=False, repr=False)
    listed: bool = True

    def decode(self, raw16: int) -> float:
        """Return the value of a result or limit; an int where scale and offset are whole.

        Raises
        ------
        ValueError
            The number does not fit in 16 bits.
        """
        if not 0 <= raw16 <= 0xFFFF:
            raise ValueError(f"{raw16} is not a 16-bit number")
        return self.conversion.decode(raw16)

    def encode(self, value: float) -> int:
        """Return the 16-bit number nearest to a value, clipped to the field."""
        return self.conversion.encode(value)


def scaling(scaling_id: int) -> Scaling | None:
    """Return the scaling of a unit-and-scaling identifier, None where it is not assigned."""
    return all_scalings().get(scaling_id)


@cache
def scaling_or_raw(scaling_id: int) -> Scaling:
    """Return the scaling of an identifier, or one that leaves numbers as sent if none is listed.

    Raises
    ------
    ValueError
        The identifier is not one byte.

    References
    ----------
    SAE J1979, service 06: identifiers from 80 are signed, whether their scale is known or not
    (from memory).
    """
    if not 0 <= scaling_id <= 0xFF:
        raise ValueError(f"{scaling_id} is not the identifier of a scaling")
    signed = scaling_id >= _SIGNED_FROM
    one, zero = Fraction(1), Fraction(0)
    return scaling(scaling_id) or Scaling(
        id=scaling_id,
        unit="",
        scale=one,
        offset=zero,
        signed=signed,
        source="",
        checked=_NOT_LISTED,
        conversion=Number.of(one, zero, 16, signed),
        listed=False,
    )


@cache
def all_scalings() -> Mapping[int, Scaling]:
    """Return every unit-and-scaling identifier that the table knows."""
    return parse_scalings(package_text(FILE))


def parse_scalings(text: str, file: str = FILE) -> Mapping[int, Scaling]:
    """Return identifier → scaling.

    Raises
    ------
    TableError
        A row is malformed or doubled, or its sign does not fit its identifier.
    """
    found: dict[int, Scaling] = {}
    for row in read_rows(text, COLUMNS, file):
        number = row.whole("id", 16)
        if not 0 < number <= 0xFF:
            raise row.error(f"id: {row.cells['id']!r} is not 01 to FF")
        if number in found:
            raise row.error(f"identifier {number:02X} stands twice")
        signed = row.yes("signed")
        if signed is not (number >= _SIGNED_FROM):
            raise row.error(f"{number:02X}: identifiers from 80 are signed, others are not")
        row.need("source", "checked")
        scale, offset = row.fraction("scale"), row.fraction("offset", "0")
        if scale <= 0:
            raise row.error("scale is not above zero")
        found[number] = Scaling(
            id=number,
            unit=row.unit(),
            scale=scale,
            offset=offset,
            signed=signed,
            source=row.cells["source"],
            checked=row.cells["checked"],
            conversion=Number.of(scale, offset, 16, signed),
        )
    if not found:
        raise TableError("the table is empty", file=file)
    return MappingProxyType(found)
