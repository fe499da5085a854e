"""Service 02: the readings that were stored together with a code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services.current_data import lengths_in, readings_of
from obdlog.services.layout import check_reply, split_items
from obdlog.tables import decode
from obdlog.tables.code_text import code_text

REPLY = 0x42
_OWNER_PID = 0x02


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """A part of freeze frame `frame`.

    `code` is the code that stored it, None where this reply does not say. `empty` is true when
    the module says that it holds no frame (PID 02 = 0000).
    """

    frame: int
    readings: tuple[Reading, ...]
    code: str | None = None
    empty: bool = False


def split_freeze_frame(
    payload: bytes,
    requested: Sequence[int] | None = None,
    context: decode.Context = decode.EMPTY,
) -> tuple[tuple[int, int, bytes], ...]:
    """Return the (PID, frame number, data) triples of a service 02 reply.

    Raises
    ------
    DecodeError
        Not a service 02 reply, or no known lengths add up to it.

    References
    ----------
    SAE J1979, service 02: each PID is followed by the frame number.
    """
    check_reply(payload, REPLY, least=3)
    items = split_items(payload[1:], lengths_in(context), requested, skip=1)
    return tuple((pid, data[0], data[1:]) for pid, data in items)


def parse_freeze_frame(
    payload: bytes,
    context: decode.Context = decode.EMPTY,
    bus: Bus = Bus.CAN,
    requested: Sequence[int] | None = None,
) -> FreezeFrame:
    """Return the part of a freeze frame that a service 02 reply carries.

    Raises
    ------
    DecodeError
        Not a service 02 reply, unknown lengths, an unknown PID, or several frames mixed.
    """
    triples = split_freeze_frame(payload, requested, context)
    frames = {frame for _, frame, _ in triples}
    if len(frames) > 1:
        raise DecodeError("one reply mixes several freeze frames", payload=payload)
    readings = readings_of([(pid, data) for pid, _, data in triples], context, bus)
    owner = next((data for pid, _, data in triples if pid == _OWNER_PID), None)
    if owner is None:
        return FreezeFrame(frames.pop(), readings)
    number = int.from_bytes(owner, "big")
    return FreezeFrame(
        frames.pop(), readings, code_text(number) if number else None, empty=not number
    )
