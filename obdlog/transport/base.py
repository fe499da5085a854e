"""What every road to the car offers to the layers above."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from obdlog.clock import Clock
from obdlog.model import Bus, Exchange, Generation, Request


@dataclass(frozen=True, slots=True)
class BusProtocol:
    """One of the legislated protocols, as found on this car.

    `id_bits` is 11 or 29 on CAN, 0 elsewhere; `bit_rate` is in bit/s.
    """

    number: str
    name: str
    bus: Bus
    id_bits: int
    bit_rate: int


class Transport(Protocol):
    """Moves diagnostic messages: one request out, one message per ECU back.

    `kind` is the session file's ``transport`` text (``adapter``, ``can``, ``playback``).
    `identity` is what the adapter claims to be. `protocol` is None until the car answered.
    """

    clock: Clock
    kind: str
    url: str

    @property
    def identity(self) -> str:
        """What the adapter claims to be."""
        ...

    @property
    def protocol(self) -> BusProtocol | None:
        """The car's protocol, None until it answered."""
        ...

    @property
    def generation(self) -> Generation:
        """Which generation of legislated diagnostics the car speaks; known once connected."""
        ...

    def connect(self) -> BusProtocol:
        """Set the road up and find the car's protocol.

        Raises
        ------
        LinkError
            The adapter cannot be opened, is not an adapter, or stopped talking.
        NoAnswerError
            The adapter works and the car does not answer (ignition off, no protocol).
        """
        ...

    def exchange(self, request: Request) -> Exchange:
        """Send one request and return all that came of it.

        Waits through response-pending; asks again when busy, a bounded number of times and
        never for a service that changes the vehicle.

        Raises
        ------
        LinkError
            The road is gone. Silence of the car is an outcome, not an error.
        """
        ...

    def voltage_v(self) -> float | None:
        """Return the supply voltage at the diagnostic connector [V], None where unknown."""
        ...

    def close(self) -> None:
        """Leave the adapter usable and let go of the road; harmless when called twice."""
        ...
