"""What control units say: payloads with their moment and where they come from, and refusals."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.simulator.buses import BusKind, request_id, response_id

NEGATIVE = 0x7F
NOT_SUPPORTED, BAD_SUBFUNCTION, BAD_LENGTH, BUSY = 0x11, 0x12, 0x13, 0x21
CONDITIONS, OUT_OF_RANGE, PENDING = 0x22, 0x31, 0x78
SUBFUNCTION_NOT_IN_SESSION, NOT_IN_SESSION = 0x7E, 0x7F
"""Negative response codes (ISO 14229-1)."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where a control unit listens and from where it answers.

    Identifiers on CAN, where `id_bits` is 11 or 29; the node on both sides elsewhere.
    """

    request: int
    response: int
    id_bits: int


def legislated_address(kind: BusKind, address: str) -> Address:
    """Return where the ECU with this address in a profile is found."""
    return Address(request_id(kind, address), response_id(kind, address), kind.id_bits)


@dataclass(frozen=True, slots=True)
class Answer:
    """A response payload, `after_s` [s] after the request; several make one long answer."""

    source: Address
    payload: bytes
    after_s: float

    @property
    def pending(self) -> bool:
        """Whether the unit asks for more time."""
        return self.payload[:1] == bytes([NEGATIVE]) and self.payload[2:3] == bytes([PENDING])


class Refused(Exception):  # noqa: N818 (an answer, not an error)
    """A unit answers a request with this negative response code."""

    def __init__(self, code: int) -> None:
        super().__init__(f"{code:02X}")
        self.code = code
