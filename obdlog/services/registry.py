"""Which diagnostic services exist and which of them change the vehicle."""

from __future__ import annotations

from dataclasses import dataclass

_DIAGNOSTIC_SESSION = 0x10
_DEFAULT_SESSION = 0x01
_SUPPRESS_REPLY = 0x80


@dataclass(frozen=True, slots=True)
class Service:
    """One diagnostic service; `number` is the request's first byte."""

    number: int
    name: str
    changes_vehicle: bool

    @property
    def reply(self) -> int:
        """The first byte of a positive reply."""
        return self.number + 0x40


_READING = {
    0x01: "current data",
    0x02: "freeze frame data",
    0x03: "stored trouble codes",
    0x05: "oxygen sensor test results",
    0x06: "on-board test results",
    0x07: "pending trouble codes",
    0x09: "vehicle information",
    0x0A: "permanent trouble codes",
    0x13: "trouble codes without status (ISO 14230-3)",
    0x17: "status of trouble codes (ISO 14230-3)",
    0x18: "trouble codes by status (ISO 14230-3)",
    0x19: "trouble code information (ISO 14229-1)",
    0x1A: "identification (ISO 14230-3)",
    0x21: "data by local identifier (ISO 14230-3)",
    0x22: "data by identifier (ISO 14229-1)",
    0x3E: "tester present",
}
_CHANGING = {
    0x04: "clear trouble codes and what belongs to them",
    0x08: "control of an on-board system or test",
    _DIAGNOSTIC_SESSION: "diagnostic session control",
    0x11: "ECU reset",
    0x14: "clear diagnostic information (ISO 14229-1)",
    0x27: "security access",
    0x28: "communication control",
    0x29: "authentication",
    0x2C: "dynamically defined identifiers",
    0x2E: "write data by identifier",
    0x2F: "input and output control",
    0x31: "routine control",
    0x34: "request download",
    0x35: "request upload",
    0x36: "transfer data",
    0x37: "request transfer exit",
    0x38: "file transfer",
    0x3B: "write data by local identifier (ISO 14230-3)",
    0x3D: "write memory by address",
    0x83: "access timing parameters",
    0x85: "control of trouble code setting",
    0x87: "link control",
}

SERVICES: dict[int, Service] = {
    number: Service(number, name, changes)
    for names, changes in ((_READING, False), (_CHANGING, True))
    for number, name in sorted(names.items())
}
"""Services by their number (SAE J1979; ISO 14229-1 and ISO 14230-3 where marked or above 0A)."""

MODULE_CODE_SERVICES = frozenset({0x13, 0x17, 0x18, 0x19})
"""Services that list the codes of one module (ISO 14230-3; ISO 14229-1, on cars after SAE J1979-2
too)."""

ERASE_SERVICES = frozenset({0x04, 0x14})
"""SAE J1979 service 04, ISO 14229-1 and ISO 14230-3 service 14."""


def changes_vehicle(payload: bytes) -> bool:
    """Return whether sending `payload` may change the vehicle.

    Whatever is not known to only read counts as changing, so that an unknown service is never
    sent by a poll loop. Returning to the default session (10 01) changes nothing.

    References
    ----------
    SAE J1979; ISO 14229-1 (service identifiers).
    """
    if not payload:
        return True
    service = SERVICES.get(payload[0])
    if service is None:
        return True
    if service.number == _DIAGNOSTIC_SESSION:
        return len(payload) != 2 or payload[1] & ~_SUPPRESS_REPLY != _DEFAULT_SESSION
    return service.changes_vehicle
