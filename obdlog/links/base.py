"""What a link is: bytes in, bytes out, and nothing about diagnostics."""

from __future__ import annotations

from typing import Protocol

from obdlog.clock import Clock


class Link(Protocol):
    """A byte road to an adapter.

    `clock` is the time this link lives in: the system's, or a simulation's.
    """

    url: str
    clock: Clock

    def read(self, timeout_s: float) -> bytes:
        """Return what has arrived, waiting at most `timeout_s` [s]; empty when nothing did.

        Raises
        ------
        LinkClosedError
            The link is gone or was closed.
        """
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`.

        Raises
        ------
        LinkClosedError
            The link is gone or was closed.
        """
        ...

    def set_baud(self, baud: int) -> None:
        """Change the speed; does nothing where the link has none."""
        ...

    def close(self) -> None:
        """Let go of the link; harmless when called twice."""
        ...
