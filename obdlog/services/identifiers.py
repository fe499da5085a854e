"""Service 22 of ISO 14229-1 where identifiers carry SAE J1979 data (F4xx, F6xx, F8xx, F190)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services import vehicle_info
from obdlog.services.current_data import readings_of
from obdlog.services.layout import check_reply, split_items
from obdlog.services.onboard_tests import TestResult, read_identified_tests
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.tables import decode, signals

REPLY = 0x62
_CURRENT_DATA = 0xF4
_TESTS = 0xF6
_VEHICLE_INFO = 0xF8
_VIN = 0xF190
_FIXED_LENGTHS = {_VIN: (17,), 0xF186: (1,)}
"""Identifiers of ISO 14229-1 whose length it states [bytes]: VIN and active session."""

_MAX_SPLIT, _MAX_REQUESTED = 512, 32


@dataclass(frozen=True, slots=True)
class Identified:
    """What a service 22 reply carries; `data` are the bytes where nothing else is known.

    `supported` are the monitors that a bitmap names (F600, F620 …), None for all other replies.
    `problem` says what in the reply is wrong.
    """

    identifier: str
    data: bytes
    readings: tuple[Reading, ...] = ()
    tests: tuple[TestResult, ...] = ()
    supported: tuple[int, ...] | None = None
    info: vehicle_info.VehicleInfo | None = None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Parts:
    """A reply to several identifiers: one reply each as far as that is certain, and the `rest`."""

    replies: tuple[bytes, ...]
    rest: bytes


def split_requested(payload: bytes, requested: Sequence[int]) -> Parts:
    """Return what of a service 22 reply belongs to each of the identifiers `requested`.

    They come in the order of the request; what a module does not have it leaves out. An
    identifier of unknown length ends where the next one begins, or with the reply. Of several
    ways to read the reply those count that name most identifiers; where more than one does, what
    they differ in is `rest`.

    References
    ----------
    ISO 14229-1, service 22 (order of the records: from memory).
    """
    names = tuple(dict.fromkeys(requested))
    if len(payload) > _MAX_SPLIT or len(names) > _MAX_REQUESTED:
        return Parts((), payload[1:])

    def ends_of(place: int, start: int) -> Sequence[int]:
        if known := _length_of(names[place]):
            return [start + n for n in known if start + n <= len(payload)]
        later = {name.to_bytes(2, "big") for name in names[place + 1 :]}
        last = len(payload)
        return [n for n in range(start + 1, last + 1) if n == last or payload[n : n + 2] in later]

    @cache
    def best(place: int, at: int) -> tuple[int, int, tuple[int, ...]]:
        """Return most identifiers of the bytes from `at`, how many ways name them, and ends."""
        if at == len(payload):
            return 0, 1, ()
        named = [n for n in range(place, len(names)) if payload[at : at + 2] == _bytes(names[n])]
        most, ways = -1, 0
        ends: tuple[int, ...] = ()
        for end in ends_of(named[0], at + 2) if named else ():
            count, more, further = best(named[0] + 1, end)
            if count < 0 or count + 1 < most:
                continue
            if count + 1 > most:
                most, ways, ends = count + 1, more, (end, *further)
            else:
                ways += more
                ends = _common(ends, (end, *further))
        return most, ways, ends

    count, ways, ends = best(0, 1)
    if count < 0:
        return _leading(payload, names)
    starts = (1, *ends)
    replies = tuple(payload[:1] + payload[a:b] for a, b in zip(starts, ends, strict=False))
    return Parts(replies, b"" if ways == 1 else payload[starts[len(ends)] :])


def _leading(payload: bytes, names: Sequence[int]) -> Parts:
    """Return the identifiers of one known length in front where the whole does not add up."""
    at, found = 1, []
    for name in names:
        known = _length_of(name)
        if payload[at : at + 2] != _bytes(name):
            continue
        if len(known) != 1 or at + 2 + known[0] > len(payload):
            break
        found.append(payload[:1] + payload[at : at + 2 + known[0]])
        at += 2 + known[0]
    return Parts(tuple(found), payload[at:])


def _common(one: tuple[int, ...], other: tuple[int, ...]) -> tuple[int, ...]:
    same = 0
    while same < min(len(one), len(other)) and one[same] == other[same]:
        same += 1
    return one[:same]


def _bytes(identifier: int) -> bytes:
    return identifier.to_bytes(2, "big")


def _length_of(identifier: int) -> tuple[int, ...]:
    return _FIXED_LENGTHS.get(identifier) or _lengths(identifier)


def parse_identifiers(
    payload: bytes,
    context: decode.Context = decode.EMPTY,
    requested: Sequence[int] | None = None,
) -> Identified:
    """Return the readings, test results or information of a service 22 reply.

    Raises
    ------
    DecodeError
        Not a service 22 reply, cut short, or of unknown lengths.

    References
    ----------
    ISO 14229-1, identifiers F400–F4FF, F600–F6FF, F800–F8FF and F190; SAE J1979-2 (from memory).
    """
    check_reply(payload, REPLY, least=4)
    identifier = int.from_bytes(payload[1:3], "big")
    family, low = payload[1], payload[2]
    data = payload[3:]
    name = f"{identifier:04X}"
    if family == _CURRENT_DATA:
        return Identified(
            name, data, readings_of(split_identifiers(payload, requested), context, Bus.CAN)
        )
    if family == _TESTS:
        return _tests(name, low, data)
    if family == _VEHICLE_INFO:
        info = vehicle_info.parse_item(low, data, Bus.CAN, count_may_lack=True)
        return Identified(name, data, info=info, problem=info.problem)
    if identifier == _VIN:
        info = vehicle_info.parse_item(vehicle_info.VIN, data, Bus.CAN, count_may_lack=True)
        return Identified(name, data, info=info, problem=info.problem)
    return Identified(name, data)


def split_identifiers(
    payload: bytes, requested: Sequence[int] | None = None
) -> tuple[tuple[int, bytes], ...]:
    """Return the (PID, data) pairs of a service 22 reply of current data (F4xx).

    Raises
    ------
    DecodeError
        Not such a reply, or no known lengths add up to it.
    """
    check_reply(payload, REPLY, least=4)
    items = split_items(payload[1:], _lengths, requested, id_bytes=2)
    return tuple((found & 0xFF, value) for found, value in items if found >> 8 == _CURRENT_DATA)


def _tests(name: str, monitor_id: int, data: bytes) -> Identified:
    if monitor_id % BITMAP_STEP == 0:
        if len(data) != 4:
            raise DecodeError("a support bitmap has 4 bytes", payload=data)
        return Identified(name, data, supported=supported_pids(monitor_id, data))
    tests, problem = read_identified_tests(monitor_id, data)
    return Identified(name, data, tests=tests, problem=problem)


def _lengths(identifier: int) -> tuple[int, ...]:
    return signals.lengths(identifier & 0xFF) if identifier >> 8 == _CURRENT_DATA else ()
