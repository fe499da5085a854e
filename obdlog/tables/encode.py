"""Values of signals to the data of one PID: the decoder's way back."""

from __future__ import annotations

from collections.abc import Mapping

from obdlog.model import Value
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.layout import Field, fields
from obdlog.tables.signals import lengths


def encode_pid(pid: int, values: Mapping[str, Value], context: Context = EMPTY) -> bytes:
    """Return the data of a PID that hold these values, in its shortest fitting length.

    Numbers are clipped to the signal's range and rounded to the nearest step. Support bits of
    what is given are set. Fields that are not given, or are None, say "not available" where the
    standard has a way to say it, and are zero otherwise.

    Raises
    ------
    ValueError
        The PID or a signal is unknown, or a value cannot be expressed.
    """
    for length in lengths(pid):
        layout = fields(pid, length, context)
        if values.keys() <= {field.signal.name for field in layout}:
            return _fill(layout, length, values)
    names = ", ".join(sorted(values)) or "nothing"
    raise ValueError(f"PID {pid:02X} cannot hold {names} together")


def _fill(layout: tuple[Field, ...], length: int, values: Mapping[str, Value]) -> bytes:
    data = bytearray(length)
    given = [f for f in layout if values.get(f.signal.name) is not None]
    # Fields of their own first: they decide which of several conditional rows applies.
    for field in [f for f in given if f.signal.when is None]:
        _write(field, values[field.signal.name], data)
    written = {f.signal.name for f in given if f.signal.when is None}
    for field in [f for f in given if f.signal.when is not None]:
        if field.applies(bytes(data)):
            _write(field, values[field.signal.name], data)
            written.add(field.signal.name)
    left_out = sorted({f.signal.name for f in given} - written)
    if left_out:
        raise ValueError(f"{', '.join(left_out)} cannot be said together with the other values")
    for field in layout:
        if field.signal.name not in written and field.signal.absent:
            _place(field, min(field.signal.absent), data)
    return bytes(data)


def _write(field: Field, value: Value, data: bytearray) -> None:
    signal = field.signal
    if isinstance(value, int | float) and signal.low is not None and signal.high is not None:
        standard = field.codec is signal.conversion
        value = min(max(value, signal.low), signal.high) if standard else value
    raw = field.codec.encode(value)
    if raw in signal.absent:
        # The nearest value beside the code for "not available".
        raw += 1 if raw == 0 else -1
    _place(field, raw, data)
    if signal.support is not None:
        data[signal.support.byte] |= signal.support.mask


def _place(field: Field, raw: int, data: bytearray) -> None:
    size = field.stop - field.start
    held = int.from_bytes(data[field.start : field.stop], "big")
    held = held & ~(field.mask << field.shift) | raw << field.shift
    data[field.start : field.stop] = held.to_bytes(size, "big")
