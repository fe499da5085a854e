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
