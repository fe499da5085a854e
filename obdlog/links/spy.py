"""A link that keeps what crosses another one."""

from __future__ import annotations

from collections import deque

from obdlog.links.base import Link
from obdlog.model import WireChunk

MOST_BYTES = 1 << 20
MOST_CHUNKS = 20_000


class WireLog:
    """Wraps any link and keeps what crossed it with its time, the newest part when that grows."""

    def __init__(self, link: Link, most_bytes: int = MOST_BYTES) -> None:
        self._link = link
        self._most_bytes = most_bytes
        self._chunks: deque[WireChunk] = deque()
        self._bytes = 0
        self.url = link.url
        self.clock = link.clock

    def read(self, timeout_s: float) -> bytes:
        """Return what the wrapped link returns."""
        data = self._link.read(timeout_s)
        if data:
            self._keep("<", data)
        return data

    def write(self, data: bytes) -> None:
        """Send `data`; it is kept even when sending fails, for it may have left."""
        self._keep(">", data)
        self._link.write(data)

    def set_baud(self, baud: int) -> None:
        """Change the speed of the wrapped link."""
        self._link.set_baud(baud)

    def close(self) -> None:
        """Close the wrapped link; what it kept stays."""
        self._link.close()

    def take(self) -> tuple[WireChunk, ...]:
        """Return what crossed it since the last call and forget it."""
        taken = tuple(self._chunks)
        self._chunks.clear()
        self._bytes = 0
        return taken

    def _keep(self, direction: str, data: bytes) -> None:
        self._chunks.append(WireChunk(self.clock.now_s(), direction, bytes(data)))
        self._bytes += len(data)
        while self._chunks and (self._bytes > self._most_bytes or len(self._chunks) > MOST_CHUNKS):
            self._bytes -= len(self._chunks.popleft().raw)
