"""Service 01: current data, one or several PIDs in one reply."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services.layout import Item, Lengths, check_reply, split_items, split_leading
from obdlog.tables import decode, signals

REPLY = 0x41


def split_current_data(
    payload: bytes,
    requested: Sequence[int] | None = None,
    context: decode.Context = decode.EMPTY,
) -> tuple[tuple[int, bytes], ...]:
    """Return the (PID, data) pairs of a service 01 reply, in the reply's order.

    A reply to several PIDs carries no lengths: they come from the table, and `requested` and
    `context` settle what the table leaves open (06–09 with one byte or two).

    Raises
    ------
    DecodeError
        Not a service 01 reply, or no known lengths add up to it.

    References
    ----------
    SAE J1979, service 01.
    """
    check_reply(payload, REPLY, least=2)
    return split_in(payload[1:], context, requested)


def split_in(
    body: bytes, context: decode.Context, requested: Sequence[int] | None, *, skip: int = 0
) -> tuple[Item, ...]:
    """Return the (PID, data) pairs of `body`, by `layout.split_items`.

    Lengths that the car's own PID 1D settles are tried first; a car that contradicts itself is
    read with all lengths of the table.

    Raises
    ------
    DecodeError
        No known lengths add up.
    """
    if context.known(0x1D):
        settled = partial(decode.settled_lengths, context=context)
        try:
            items = split_items(body, settled, requested, skip=skip)
        except DecodeError:
            items = ()
        names = [pid for pid, _ in items]
        if names and len(names) == len(set(names)) and set(names) <= set(requested or names):
            return items
    return split_items(body, lengths_in(context), requested, skip=skip)


def split_known(
    payload: bytes,
    requested: Sequence[int] | None = None,
    context: decode.Context = decode.EMPTY,
    *,
    reply: int = REPLY,
    skip: int = 0,
) -> tuple[tuple[tuple[int, bytes], ...], str]:
    """Return the pairs whose PID the table holds, and a sentence on the PIDs that it does not.

    A PID of unknown length hides what follows it, unless `requested` says that all else is known.
    `skip` bytes after each PID stay in front of its data, as in `layout.split_items`.

    Raises
    ------
    DecodeError
        Not a reply that begins with `reply`, or no known lengths add up to it.
    """
    check_reply(payload, reply, least=2 + skip)
    try:
        items = split_in(payload[1:], context, requested, skip=skip)
        unknown = [pid for pid, _ in items if not signals.lengths(pid)]
    except DecodeError:
        leading = split_leading(payload[1:], lengths_in(context), requested, skip=skip)
        if not leading:
            raise
        items, stop = leading
        return items, f"{_missing([stop])}; what follows it cannot be told apart"
    known = tuple((pid, data) for pid, data in items if pid not in unknown)
    return known, _missing(unknown) if unknown else ""


def _missing(pids: Sequence[int]) -> str:
    names = ", ".join(f"{pid:02X}" for pid in pids)
    return f"PID {names} is not in this edition's signal table"


def lengths_in(context: decode.Context) -> Lengths:
    """Return the function PID → its possible data lengths, the likeliest in `context` first."""
    return partial(decode.likely_lengths, context=context)


def parse_current_data(
    payload: bytes,
    context: decode.Context = decode.EMPTY,
    bus: Bus = Bus.CAN,
    requested: Sequence[int] | None = None,
) -> tuple[Reading, ...]:
    """Return the readings of a service 01 reply, in the reply's order.

    PIDs that the table does not hold are left out beside others that it does.

    Raises
    ------
    DecodeError
        Not a service 01 reply, unknown lengths, or no PID that the table holds.
    """
    items, problem = split_known(payload, requested, context)
    if problem and not items:
        raise DecodeError(problem, payload=payload)
    return readings_of(items, context, bus)


def readings_of(
    items: Iterable[tuple[int, bytes]], context: decode.Context, bus: Bus
) -> tuple[Reading, ...]:
    """Return the readings of split (PID, data) pairs.

    Facts that one pair carries (PIDs 4F, 50, 13, 1D) apply to all others of the same reply.

    Raises
    ------
    DecodeError
        A PID that the table does not hold, or a wrong length.
    """
    pairs = list(items)
    for pid, data in pairs:
        if not signals.lengths(pid):
            raise DecodeError(_missing([pid]), payload=data)
        context = context.updated(pid, data)
    return tuple(
        reading for pid, data in pairs for reading in decode.decode_pid(pid, data, context, bus=bus)
    )
