"""The fields of one PID at one data length, compiled for repeated decoding."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from typing import Final

from obdlog.errors import DecodeError
from obdlog.model import Reading
from obdlog.tables.codecs import Codec, Number
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.signals import Signal, by_pid, lengths

_KEPT_BITS: Final = 8
"""Readings of fields up to this width are kept once they were made."""


@dataclass(frozen=True, slots=True)
class Field:
    """One row, ready to run: where its bits are and what they mean."""

    signal: Signal
    label: str
    pid: str
    start: int
    stop: int
    shift: int
    mask: int
    codec: Codec
    unavailable: Reading
    """The reading where the car says that there is no value."""
    kept: dict[int, Reading]
    """The readings of a narrow field so far, by raw number; what means "none" from the start."""
    missing: bool
    """Whether the context already says that the car has no such thing."""
    conditional: bool
    """Whether the row may not apply, or its value not be available, for some data."""

    def read(self, data: bytes) -> Reading:
        """Return the field's reading; the value is None where it is not available."""
        if self.conditional and not self.available(data):
            return self.unavailable
        raw = int.from_bytes(data[self.start : self.stop], "big") >> self.shift & self.mask
        reading = self.kept.get(raw)
        if reading is None:
            signal = self.signal
            value = self.codec.decode(raw)
            reading = Reading(signal.name, self.label, value, signal.unit, self.pid)
            if signal.width <= _KEPT_BITS:
                self.kept[raw] = reading
        return reading

    def available(self, data: bytes) -> bool:
        """Return whether the car says that it has what the field holds."""
        support = self.signal.support
        return not self.missing and (support is None or bool(data[support.byte] & support.mask))

    def applies(self, data: bytes) -> bool:
        """Return whether the row's condition holds for these data."""
        when = self.signal.when
        return when is None or bool(data[when.byte] & when.mask) is self.signal.when_set


def fields(pid: int, length: int, context: Context = EMPTY) -> tuple[Field, ...]:
    """Return the fields of a PID whose data have `length` bytes.

    Raises
    ------
    DecodeError
        The PID is not in the table, or never has that length.
    """
    if context is EMPTY:
        return _plain_fields(pid, length)
    return _fields_in(pid, length, context)


@cache
def _plain_fields(pid: int, length: int) -> tuple[Field, ...]:
    return _build(pid, length, EMPTY)


@lru_cache(maxsize=1024)
def _fields_in(pid: int, length: int, context: Context) -> tuple[Field, ...]:
    return _build(pid, length, context)


def _build(pid: int, length: int, context: Context) -> tuple[Field, ...]:
    allowed = lengths(pid)
    if not allowed:
        raise DecodeError(f"PID {pid:02X} is not in this edition's signal table")
    if length not in allowed:
        wanted = " or ".join(str(n) for n in allowed)
        raise DecodeError(f"PID {pid:02X} has {wanted} data bytes, not {length}")
    return compile_fields(by_pid(pid), length, context)


def compile_fields(
    rows: Iterable[Signal], length: int, context: Context = EMPTY
) -> tuple[Field, ...]:
    """Return the fields of those rows that occur in data of `length` bytes."""
    return tuple(_field(row, context) for row in rows if length in row.lengths)


def read_fields(layout: Iterable[Field], data: bytes) -> tuple[Reading, ...]:
    """Return the readings in data whose length the layout was compiled for."""
    return tuple([f.read(data) for f in layout if not f.conditional or f.applies(data)])


def _field(signal: Signal, context: Context) -> Field:
    codec = _codec(signal, context)
    place = context.place(signal.sensor)
    label = f"{signal.label} ({place})" if place else signal.label
    pid = f"{signal.pid:02X}"
    missing = signal.needs is not None and context.lacks(signal.needs)
    unavailable = Reading(signal.name, label, None, signal.unit, pid)
    return Field(
        signal=signal,
        label=label,
        pid=pid,
        start=signal.byte,
        stop=signal.byte + signal.span,
        shift=signal.bit,
        mask=(1 << signal.width) - 1,
        codec=codec,
        unavailable=unavailable,
        kept=dict.fromkeys(signal.absent, unavailable),
        missing=missing,
        conditional=missing or signal.support is not None or signal.when is not None,
    )


def _codec(signal: Signal, context: Context) -> Codec:
    """Return the row's codec, rescaled where the car states another full scale."""
    if signal.override is None:
        return signal.conversion
    maximum = context.maximum(signal.override)
    if not maximum:
        return signal.conversion
    scale: Fraction = maximum * signal.override.scale
    return Number.of(scale, maximum * signal.override.offset, signal.width, False)
