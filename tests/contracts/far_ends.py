"""Far ends of links for tests: what a link is plugged into, without hardware."""

from __future__ import annotations

import contextlib
import os
import queue
import select
import socket
import threading
from typing import Protocol

import serial
import serial.rfc2217

from tests.links.le_radio import URL, Device, in_reach

PATIENCE_S = 5.0


class FarEnd(Protocol):
    """The other side of a link: `url` opens it."""

    url: str

    def accept(self) -> None:
        """Take the connection, once the link is open."""

    def send(self, data: bytes) -> None:
        """Send `data` to the link."""

    def receive(self, count: int) -> bytes:
        """Return `count` bytes that the link sent."""

    def hang_up(self) -> None:
        """Go away, as a plug that is pulled."""

    def close(self) -> None:
        """Let go of everything."""


class PtyEnd:
    """The near side of a pseudo-terminal."""

    def __init__(self, query: str = "?baud=38400") -> None:
        self._master, self._slave = os.openpty()
        self.url = os.ttyname(self._slave) + query

    def accept(self) -> None:
        pass

    def send(self, data: bytes) -> None:
        os.write(self._master, data)

    def receive(self, count: int) -> bytes:
        data = b""
        while len(data) < count and select.select([self._master], [], [], PATIENCE_S)[0]:
            data += os.read(self._master, count - len(data))
        return data

    def hang_up(self) -> None:
        for fd in (self._slave, self._master):
            with contextlib.suppress(OSError):
                os.close(fd)

    def close(self) -> None:
        self.hang_up()


class SocketEnd:
    """A TCP server on the loopback interface that takes one connection."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(PATIENCE_S)
        self._peer: socket.socket | None = None
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    @property
    def peer(self) -> socket.socket:
        assert self._peer is not None
        return self._peer

    def accept(self) -> None:
        self._peer, _ = self._server.accept()
        self._peer.settimeout(PATIENCE_S)

    def send(self, data: bytes) -> None:
        self.peer.sendall(data)

    def receive(self, count: int) -> bytes:
        data = b""
        while len(data) < count and (got := self.peer.recv(count - len(data))):
            data += got
        return data

    def hang_up(self) -> None:
        self.peer.close()

    def close(self) -> None:
        if self._peer:
            self._peer.close()
        self._server.close()


class LowEnergyEnd:
    """A Bluetooth LE device behind bleak's boundary."""

    def __init__(self) -> None:
        self.url = URL
        self._device = Device()
        self._received: queue.Queue[int] = queue.Queue()
        self._device.on_write = self._hear
        self._reach = contextlib.ExitStack()
        self._reach.enter_context(in_reach(self._device))

    def accept(self) -> None:
        assert self._device.subscribed

    def send(self, data: bytes) -> None:
        self._device.send(data)

    def receive(self, count: int) -> bytes:
        return bytes(self._received.get(timeout=PATIENCE_S) for _ in range(count))

    def hang_up(self) -> None:
        self._device.vanish()

    def _hear(self, data: bytes) -> None:
        for byte in data:
            self._received.put(byte)

    def close(self) -> None:
        self._reach.close()


class Rfc2217End:
    """A serial port served by RFC 2217 on the loopback interface, with pyserial's own server."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(PATIENCE_S)
        self.url = f"rfc2217://127.0.0.1:{self._server.getsockname()[1]}?baud=115200"
        self.port = serial.serial_for_url("loop://", timeout=0)
        self._received: queue.Queue[int] = queue.Queue()
        self._ready = threading.Event()
        self._peer: socket.socket | None = None
        self._manager: serial.rfc2217.PortManager | None = None
        # Negotiation happens while the link opens, so somebody must answer meanwhile.
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Send raw bytes; called by the port manager for its own answers."""
        assert self._peer is not None
        with contextlib.suppress(OSError):
            self._peer.sendall(data)

    def accept(self) -> None:
        assert self._ready.wait(PATIENCE_S)

    def send(self, data: bytes) -> None:
        assert self._manager is not None
        self.write(b"".join(self._manager.escape(data)))

    def receive(self, count: int) -> bytes:
        return bytes(self._received.get(timeout=PATIENCE_S) for _ in range(count))

    def hang_up(self) -> None:
        if self._peer:
            with contextlib.suppress(OSError):
                self._peer.shutdown(socket.SHUT_RDWR)
            self._peer.close()

    def close(self) -> None:
        self.hang_up()
        self._server.close()
        self._thread.join(PATIENCE_S)
        self.port.close()

    def _serve(self) -> None:
        try:
            self._peer, _ = self._server.accept()
        except OSError:
            return
        self._manager = serial.rfc2217.PortManager(self.port, self)
        self._ready.set()
        with contextlib.suppress(OSError):
            while data := self._peer.recv(4096):
                for piece in self._manager.filter(data):
                    for byte in piece:
                        self._received.put(byte)
