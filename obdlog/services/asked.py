"""What is known about a reply besides its bytes, and the JSON of one reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from obdlog.model import Bus, Reading
from obdlog.modules import Language
from obdlog.services.refusals import language_of
from obdlog.tables.decode import Context

JsonObject = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known about a reply besides its bytes; an empty request is an unknown one."""

    request: bytes
    bus: Bus
    context: Context

    def identifiers(self, service: int) -> list[int] | None:
        """Return the PIDs asked for, None where the request is unknown or another service's."""
        if self.request[:1] != bytes([service]):
            return None
        step = 2 if service == 0x02 else 1
        return list(self.request[1::step]) or None

    def language(self, service: int) -> Language:
        """Return the language that an answer of `service` is in."""
        request = self.request if self.request[:1] == bytes([service]) else bytes([service])
        return language_of(request, self.bus)


def reading_object(reading: Reading) -> JsonObject:
    """Return one reading as a JSON object."""
    return {
        "signal": reading.signal,
        "label": reading.label,
        "value": reading.value,
        "unit": reading.unit,
        "pid": reading.pid,
    }


def two_digits(number: int | None) -> str | None:
    """Return a byte as two hexadecimal digits, None for None."""
    return None if number is None else f"{number:02X}"


_REPEATED = {
    (0x10,): ((1, 1, "session"),),
    (0x1A,): ((1, 1, "identifier"),),
    (0x19,): ((1, 1, "report"),),
    (0x19, 0x1A): ((2, 3, "record"),),
    (0x19, 0x42): ((2, 2, "group"),),
    (0x19, 0x55): ((2, 2, "group"),),
    (0x19, 0x56): ((2, 2, "group"), (3, 5, "readiness group")),
}
"""Service, and report of service 19 → which byte of the request stands where in a reply."""

_SILENT = 0x80
"""Bit of a sub-function that asks for no positive reply, which repeats it without (ISO 14229-1)."""


def not_repeated(request: bytes, reply: bytes) -> str:
    """Return what `reply` should repeat of `request` and does not, empty where nothing."""
    if request[0] == 0x22 and len(request) % 2:
        asked = [request[at : at + 2] for at in range(1, len(request), 2)]
        if reply[1:3] in asked or len(reply) < 3:
            return ""
        names = ", ".join(identifier.hex().upper() for identifier in asked[:4])
        return f"the reply holds identifier {reply[1:3].hex().upper()}, the request asks {names}"
    places = _REPEATED.get((request[0],), ()) + _REPEATED.get(tuple(request[:2]), ())
    for place, found, what in places:
        if place < len(request) and found < len(reply):
            wanted = {request[place]} | ({request[1] & ~_SILENT} if place == 1 else set())
            if reply[found] not in wanted:
                return (
                    f"the reply holds {what} {reply[found]:02X}, "
                    f"the request asks {request[place]:02X}"
                )
    return ""
