"""Data of one PID, many replies at once, to columns of numbers."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from obdlog.tables.codecs import Flag, Number
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.layout import Field, fields

if TYPE_CHECKING:
    from numpy.typing import NDArray


def decode_columns(
    pid: int, rows: NDArray[np.uint8], context: Context = EMPTY
) -> dict[str, NDArray[np.float64]]:
    """Return one column of float64 per signal of a PID; NaN where it is not available.

    Numbers equal what `decode_pid` gives, to the last bit. Enumerations and codes give their raw
    number, flags 0 or 1, undescribed bytes NaN.

    Parameters
    ----------
    pid
        Parameter identifier.
    rows
        The bytes after the PID, shape (replies, length).
    context
        What the same ECU said in PIDs 13, 1D, 4F and 50.

    Raises
    ------
    DecodeError
        The PID is not in the table, or never has that length.
    ValueError
        `rows` is not a matrix of bytes.
    """
    if rows.ndim != 2 or rows.dtype != np.uint8:
        raise ValueError("rows must be a two-dimensional array of uint8")
    return read_columns(fields(pid, rows.shape[1], context), rows)


def read_columns(
    layout: Iterable[Field], rows: NDArray[np.uint8]
) -> dict[str, NDArray[np.float64]]:
    """Return one column per signal from rows whose length the layout was compiled for."""
    columns: dict[str, NDArray[np.float64]] = {}
    for field in layout:
        values = _column(field, rows)
        name = field.signal.name
        when = field.signal.when
        if when is not None:
            applies = ((rows[:, when.byte] & when.mask) != 0) == field.signal.when_set
            values = np.where(applies, values, columns.get(name, np.nan))
        columns[name] = values
    return columns


def _column(field: Field, rows: NDArray[np.uint8]) -> NDArray[np.float64]:
    signal = field.signal
    if field.missing or signal.codec == "raw":
        return np.full(len(rows), np.nan)
    raw = rows[:, field.start].astype(np.int64)
    for byte in range(field.start + 1, field.stop):
        raw <<= 8
        raw |= rows[:, byte]
    if field.shift:
        raw >>= field.shift
    if signal.width % 8:
        raw &= field.mask
    values = _values(field, raw)
    for absent in signal.absent:
        values[raw == absent] = np.nan
    if signal.support is not None:
        values[(rows[:, signal.support.byte] & signal.support.mask) == 0] = np.nan
    return values


def _values(field: Field, raw: NDArray[np.int64]) -> NDArray[np.float64]:
    codec = field.codec
    if isinstance(codec, Number):
        if codec.signed:
            raw = np.where(raw >> (codec.width - 1) != 0, raw - (1 << codec.width), raw)
        values = (raw * codec.num + codec.off).astype(np.float64)
        if codec.den != 1:
            values /= codec.den
        return values
    if isinstance(codec, Flag) and codec.inverted:
        return (1 - raw).astype(np.float64)
    return raw.astype(np.float64)
