"""Service 02: the readings that were stored together with a code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services.current_data import readings_of, split_in, split_known
from obdlog.services.layout import check_reply
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
    items = split_in(payload[1:], context, requested, skip=1)
    return tuple((pid, data[0], data[1:]) for pid, data in items)


def parse_freeze_frames(
    payload: bytes,
    context: decode.Context = decode.EMPTY,
    bus: Bus = Bus.CAN,
    requested: Sequence[int] | None = None,
) -> tuple[tuple[FreezeFrame, ...], str]:
    """Return the parts of freeze frames in a service 02 reply, and a sentence on what is unknown.

    Each PID names its frame, so one reply may hold parts of several; they come in frame order.
    What a frame itself stores of PIDs 13, 1D, 4F and 50 applies to it, before `context`.

    Raises
    ------
    DecodeError
        Not a service 02 reply, unknown lengths, or no PID that the table holds.
    """
    items, problem = split_known(payload, requested, context, reply=REPLY, skip=1)
    if problem and not items:
        raise DecodeError(problem, payload=payload)
    stored: dict[int, list[tuple[int, bytes]]] = {}
    for pid, data in items:
        stored.setdefault(data[0], []).append((pid, data[1:]))
    frames = (frame_of(number, pairs, context, bus) for number, pairs in sorted(stored.items()))
    return tuple(frames), problem


def frame_of(
    number: int, pairs: Sequence[tuple[int, bytes]], context: decode.Context, bus: Bus
) -> FreezeFrame:
    """Return the frame `number` from its split (PID, data) pairs.

    Raises
    ------
    DecodeError
        A PID that the table does not hold, or a wrong length.
    """
    readings = readings_of(pairs, context, bus)
    owner = next((data for pid, data in pairs if pid == _OWNER_PID), None)
    if owner is None:
        return FreezeFrame(number, readings)
    code = int.from_bytes(owner, "big")
    return FreezeFrame(number, readings, code_text(code) if code else None, empty=not code)
