"""Frames to and from an open python-can bus, and what is wrong with the bus in words.

Everything that python-can and its drivers raise becomes an error of ours here.

References
----------
Linux, ``include/uapi/linux/can/error.h``: SocketCAN tells the kind of error by the identifier of
an error frame. Other drivers tell nothing by it.
"""

from __future__ import annotations

import contextlib
import errno
from collections import deque
from collections.abc import Iterator
from typing import TYPE_CHECKING

from obdlog.clock import Clock
from obdlog.errors import LinkClosedError
from obdlog.model import WireChunk
from obdlog.transport.can_channels import CanFrame
from obdlog.transport.can_open import CanPlace, shut

if TYPE_CHECKING:
    import can

SEND_S = 1.0
MOST_BAD_PACKETS = 1000
"""So many packets that hold no frame may come over a network in one exchange."""
MOST_WIRE = 5000
"""So many frames of one exchange are kept as text."""

NETWORK = "udp_multicast"
"""The interface that brings what was sent back to its sender."""
MOST_ECHOES = 64

_NO_ACKNOWLEDGE, _BUS_OFF = 0x20, 0x40
_NO_TROUBLE = 0x04 | 0x100 | 0x200
"""Changes of the controller's state, a restart, counters: no error on the bus by themselves."""
_GONE = {errno.ENETDOWN, errno.ENODEV, errno.ENXIO, errno.EBADF}


class NotTakenError(LinkClosedError):
    """Nobody acknowledges what is sent, or the controller has switched itself off."""


class CanWire:
    """One open bus.

    Attributes
    ----------
    kept : list of WireChunk
        The diagnostic frames since the list was last cleared, as ``7E8#0341…``.
    errors : int
        How many error frames came since this was last set.
    bus_off, unheard : bool
        The bus told that the controller switched itself off; that nobody acknowledged.
    """

    def __init__(self, bus: can.BusABC, place: CanPlace, clock: Clock) -> None:
        self.kept: list[WireChunk] = []
        self._bus, self._place, self._clock = bus, place, clock
        self._network = place.interface == NETWORK
        self._echoes: deque[CanFrame] = deque(maxlen=MOST_ECHOES)
        self.forget_errors()

    def forget_errors(self) -> None:
        """Count errors from zero."""
        self.errors = self._bad_packets = 0
        self.bus_off = self.unheard = False

    def write(self, frame: CanFrame) -> None:
        """Send one frame.

        Raises
        ------
        NotTakenError
            Nobody acknowledges, or the controller has switched itself off.
        LinkClosedError
            The interface is gone.
        """
        import can

        message = can.Message(
            arbitration_id=int(frame.identifier, 16),
            is_extended_id=len(frame.identifier) > 3,
            data=frame.data,
        )
        self._keep(">", frame)
        if self._network:
            self._echoes.append(frame)
        try:
            self._bus.send(message, timeout=SEND_S)
        except Exception as error:  # drivers raise whatever they like
            if (lost := self._gone(error)) is not None:
                raise lost from error
            raise NotTakenError(
                f"nobody on the bus at the {self._place.title} takes what is sent: "
                f"{_said(error)}{self._state()}",
                hint="Switch the ignition on; check plug, wiring, termination and bit rate.",
            ) from error

    def read(self, timeout_s: float) -> CanFrame | None:
        """Return the next data frame, None without one within `timeout_s` [s]; errors are counted.

        Raises
        ------
        LinkClosedError
            The interface is gone.
        """
        message = self._receive(timeout_s)
        return None if message is None else self._frame(message)

    def waiting(self, most: int) -> Iterator[CanFrame]:
        """Yield the data frames that have arrived already, of at most `most` messages.

        Raises
        ------
        LinkClosedError
            The interface is gone.
        """
        for _ in range(most):
            message = self._receive(0.0)
            if message is None:
                return
            if (frame := self._frame(message)) is not None:
                yield frame

    def _receive(self, timeout_s: float) -> can.Message | None:
        try:
            return self._bus.recv(timeout_s)
        except Exception as error:
            # Anybody may send packets to a port that hold no frame.
            if self._network and not isinstance(error.__cause__, OSError):
                self._bad_packets += 1
                if self._bad_packets <= MOST_BAD_PACKETS:
                    return None
            lost = self._gone(error) or LinkClosedError(
                f"the {self._place.title} cannot receive: {_said(error)}{self._state()}",
                hint="Check plug, wiring and bit rate, and start again.",
            )
            raise lost from error

    def _frame(self, message: can.Message) -> CanFrame | None:
        if message.is_remote_frame:
            return None
        if message.is_error_frame:
            self._count(message.arbitration_id)
            return None
        digits = 8 if message.is_extended_id else 3
        frame = CanFrame(f"{message.arbitration_id:0{digits}X}", bytes(message.data))
        if frame in self._echoes:
            self._echoes.remove(frame)
            return None
        if digits == 8 or frame.identifier[0] == "7":
            self._keep("<", frame)
        return frame

    @property
    def off(self) -> bool:
        """Whether the controller says that it has switched itself off."""
        if self.bus_off:
            return True
        import can

        with contextlib.suppress(Exception):  # some drivers know no state
            return self._bus.state is can.BusState.ERROR
        return False

    @property
    def trouble(self) -> str:
        """What is wrong with the bus as far as it told, empty when nothing is."""
        if self.off:
            return "the CAN controller has switched itself off because of errors (bus off)"
        if self.unheard:
            return "nobody on the CAN bus acknowledges what is sent"
        return f"{self.errors} error frames on the CAN bus" if self.errors else ""

    def close(self) -> None:
        """Leave the bus."""
        shut(self._bus)

    def _count(self, identifier: int) -> None:
        if self._place.interface == "socketcan":
            self.bus_off |= bool(identifier & _BUS_OFF)
            self.unheard |= bool(identifier & _NO_ACKNOWLEDGE)
            if not identifier & ~_NO_TROUBLE:
                return
        self.errors += 1

    def _gone(self, error: Exception) -> LinkClosedError | None:
        code = getattr(error, "error_code", None) or getattr(error, "errno", None)
        if code not in _GONE:
            return None
        hint = "Plug it in again and start anew."
        if code == errno.ENETDOWN:
            hint = f"Bring it up, for example: ip link set {self._place.channel} up type can "
            hint += "bitrate 500000"
        return LinkClosedError(
            f"the {self._place.title} is down or gone: {_said(error)}", hint=hint
        )

    def _state(self) -> str:
        return "; it has switched itself off because of errors on the bus" if self.off else ""

    def _keep(self, direction: str, frame: CanFrame) -> None:
        if len(self.kept) < MOST_WIRE:
            raw = f"{frame.identifier}#{frame.data.hex().upper()}"
            self.kept.append(WireChunk(self._clock.now_s(), direction, raw.encode("ascii")))


def _said(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
