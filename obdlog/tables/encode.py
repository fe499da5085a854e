"""Values of signals to the data of one PID: the decoder's way back."""

from __future__ import annotations

from collections.abc import Mapping

from obdlog.model import Value
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.layout import Field, fields
from obdlog.tables.signals import lengths


def encode_pid(
    pid: int, values: Mapping[str, Value], context: Context = EMPTY, *, length: int | None = None
) -> bytes:
    """Return the data of a PID that hold these values.

    Numbers are clipped to the signal's range and rounded to the nearest step. Support bits of
    what is given are set. Fields that are not given, or are None, say "not available" where the
    standard has a way to say it, and are zero otherwise.

    Parameters
    ----------
    length
        Data length [bytes]; without it the shortest that can hold the values.

    Raises
    ------
    ValueError
        The PID or a signal is unknown, or a value cannot be expressed.
    """
    refused: ValueError | None = None
    for size in lengths(pid):
        if length not in (None, size):
            continue
        layout = fields(pid, size, context)
        if values.keys() <= {field.signal.name for field in layout}:
            try:
                return _fill(layout, size, values)
            except ValueError as error:
                refused = error
    if refused is not None:
        raise refused
    names = ", ".join(sorted(values)) or "nothing"
    size_text = "" if length is None else f" in {length} bytes"
    raise ValueError(f"PID {pid:02X} cannot hold {names} together{size_text}")


def _fill(layout: tuple[Field, ...], length: int, values: Mapping[str, Value]) -> bytes:
    data = bytearray(length)
    given = [f for f in layout if values.get(f.signal.name) is not None]
    for field in given:
        if _chosen_by_range(field, given, values[field.signal.name]):
            _set_support(field, data)
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


def _chosen_by_range(field: Field, given: list[Field], value: Value) -> bool:
    """Return whether a wide-range row must be used, because the usual row cannot say the value.

    A wide-range row is one whose own support bit is the condition under which it applies.
    """
    signal = field.signal
    if signal.when is None or not signal.when_set or signal.when != signal.support:
        return False
    usual = [f.signal for f in given if f.signal.name == signal.name and not f.signal.when_set]
    return isinstance(value, int | float) and all(
        row.high is not None and value > row.high for row in usual
    )


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
    _set_support(field, data)


def _set_support(field: Field, data: bytearray) -> None:
    support = field.signal.support
    if support is not None:
        data[support.byte] |= support.mask


def _place(field: Field, raw: int, data: bytearray) -> None:
    size = field.stop - field.start
    held = int.from_bytes(data[field.start : field.stop], "big")
    held = held & ~(field.mask << field.shift) | raw << field.shift
    data[field.start : field.stop] = held.to_bytes(size, "big")
