"""What earlier replies of the same ECU say about the meaning of later ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from obdlog.errors import DecodeError
from obdlog.tables.signal_rows import Need, Override
from obdlog.tables.signals import lengths

_KEPT: Final = {0x13: "pid_13", 0x1D: "pid_1d", 0x4F: "pid_4f", 0x50: "pid_50"}


@dataclass(frozen=True, slots=True)
class Context:
    """The data of PIDs 13, 1D, 4F and 50 as far as they are known; empty means not known.

    PIDs 4F and 50 replace scales, PIDs 13 and 1D say which oxygen sensor is which and whether
    banks 3 and 4 exist. All of them hold for one ECU only.
    """

    pid_13: bytes = b""
    pid_1d: bytes = b""
    pid_4f: bytes = b""
    pid_50: bytes = b""

    def updated(self, pid: int, data: bytes) -> Context:
        """Return the context after one more reply; other PIDs leave it as it is.

        Raises
        ------
        DecodeError
            The data of a PID that matters has a wrong length.
        """
        name = _KEPT.get(pid)
        if name is None:
            return self
        if len(data) not in lengths(pid):
            raise DecodeError(f"PID {pid:02X} with {len(data)} data bytes", payload=bytes(data))
        return replace(self, **{name: bytes(data)})

    def known(self, pid: int) -> bytes:
        """Return the data of a PID, empty when it is not known."""
        name = _KEPT.get(pid)
        return getattr(self, name) if name else b""

    def maximum(self, override: Override) -> int:
        """Return the byte that replaces a scale, 0 where the standard scale holds."""
        data = self.known(override.pid)
        return data[override.byte] if data else 0

    def lacks(self, need: Need) -> bool:
        """Return whether the car has said that what a field needs is not there."""
        data = self.known(need.pid)
        return bool(data) and not data[need.byte] & need.mask

    def place(self, sensor: int) -> str:
        """Return where oxygen sensor 1 to 8 sits, ``B2S1``, or "" while that is not known.

        A car supports PID 13 (two banks of four) or PID 1D (four banks of two), not both; where
        both answer, the place stays unknown rather than guessed.
        """
        if not sensor or bool(self.pid_13) is bool(self.pid_1d):
            return ""
        bank, place = divmod(sensor - 1, 4 if self.pid_13 else 2)
        return f"B{bank + 1}S{place + 1}"


EMPTY: Final = Context()
"""Nothing known: standard scales, oxygen sensors by number only."""
