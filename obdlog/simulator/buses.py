"""The legislated buses as the simulated car sees them: addresses, speed, layout family."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Family = Literal["can", "j1850", "iso9141", "kwp"]


@dataclass(frozen=True, slots=True)
class BusKind:
    """One bus: `number` as the adapter dialect counts, `id_bits` 0 where there is no CAN.

    `request_header` and `response_lead` are the first header bytes of functional requests and
    of replies on the older buses.
    """

    name: str
    number: str
    title: str
    family: Family
    id_bits: int = 0
    bit_rate: int = 10_400
    request_header: bytes = b""
    response_lead: bytes = b""

    @property
    def is_can(self) -> bool:
        """Whether payloads have their CAN layout (ISO 15765-4)."""
        return self.family == "can"


_KINDS = (
    BusKind("j1850-pwm", "1", "SAE J1850 PWM", "j1850", 0, 41_600, b"\x61\x6a\xf1", b"\x41\x6b"),
    BusKind("j1850-vpw", "2", "SAE J1850 VPW", "j1850", 0, 10_400, b"\x68\x6a\xf1", b"\x48\x6b"),
    BusKind("iso9141-2", "3", "ISO 9141-2", "iso9141", 0, 10_400, b"\x68\x6a\xf1", b"\x48\x6b"),
    BusKind("kwp-slow", "4", "ISO 14230-4 (KWP 5BAUD)", "kwp", 0, 10_400, b"\xc2\x33\xf1"),
    BusKind("kwp-fast", "5", "ISO 14230-4 (KWP FAST)", "kwp", 0, 10_400, b"\xc2\x33\xf1"),
    BusKind("can11-500", "6", "ISO 15765-4 (CAN 11/500)", "can", 11, 500_000),
    BusKind("can29-500", "7", "ISO 15765-4 (CAN 29/500)", "can", 29, 500_000),
    BusKind("can11-250", "8", "ISO 15765-4 (CAN 11/250)", "can", 11, 250_000),
    BusKind("can29-250", "9", "ISO 15765-4 (CAN 29/250)", "can", 29, 250_000),
)

BUSES: dict[str, BusKind] = {kind.name: kind for kind in _KINDS}
BY_NUMBER: dict[str, BusKind] = {kind.number: kind for kind in _KINDS}


FUNCTIONAL_11 = 0x7DF
FUNCTIONAL_29 = 0x18DB33F1
TESTER = 0xF1


def request_id(kind: BusKind, address: str) -> int:
    """Return the identifier (CAN) or node address (else) at which an ECU is asked directly."""
    value = int(address, 16)
    if kind.id_bits == 11:
        return value - 8
    if kind.id_bits == 29:
        return 0x18DA00F1 | ((value & 0xFF) << 8)
    return value & 0xFF


def response_id(kind: BusKind, address: str) -> int:
    """Return the identifier (CAN) or node address (else) from which an ECU answers."""
    value = int(address, 16)
    if kind.id_bits == 29:
        return 0x18DAF100 | (value & 0xFF)
    return value
