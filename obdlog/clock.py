"""Time as an argument: the system's clock, and one that a simulation moves by hand."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Monotonic time [s] and the means to let it pass."""

    def now_s(self) -> float:
        """Return monotonic seconds; the origin means nothing."""
        ...

    def sleep_s(self, seconds: float) -> None:
        """Let `seconds` pass; nothing happens when it is zero or negative."""
        ...


class SystemClock:
    """The operating system's monotonic clock."""

    def now_s(self) -> float:
        """Return monotonic seconds."""
        return time.monotonic()

    def sleep_s(self, seconds: float) -> None:
        """Sleep in real time."""
        if seconds > 0:
            time.sleep(seconds)


class ManualClock:
    """A clock that moves only when told: simulated time, and tests."""

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = start_s

    def now_s(self) -> float:
        """Return the simulated time."""
        return self._now_s

    def sleep_s(self, seconds: float) -> None:
        """Advance the simulated time at once."""
        if seconds > 0:
            self._now_s += seconds
