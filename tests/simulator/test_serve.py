"""The car served to other programs: state outlives clients, ports fail clearly."""

from __future__ import annotations

import os
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import Queue
from typing import Any

import pytest

from obdlog.errors import LinkOpenError, OpenFailure
from obdlog.simulator.serve import serve_pty, serve_tcp


@contextmanager
def served(serve: Callable[..., None], scenario: str, **options: Any) -> Iterator[str]:
    """Serve in a thread; yields what `ready` was told and stops the server at the end."""
    told: Queue[str] = Queue()
    stop = threading.Event()
    thread = threading.Thread(
        target=serve, args=(scenario,), kwargs={"ready": told.put, "stop": stop.is_set} | options
    )
    thread.start()
    try:
        yield told.get(timeout=10)
    finally:
        stop.set()
        thread.join(timeout=10)
        assert not thread.is_alive()


def ask(connection: socket.socket, command: str) -> bytes:
    connection.sendall(command.encode() + b"\r")
    found = b""
    while not found.endswith(b">"):
        found += connection.recv(4096)
    return found


def connect(url: str) -> socket.socket:
    host, port = url.removeprefix("socket://").rsplit(":", 1)
    return socket.create_connection((host, int(port)), timeout=10)


def test_state_outlives_clients() -> None:
    with served(serve_tcp, "airbox-repair", start_after_clear_s=None) as url:
        assert url.startswith("socket://127.0.0.1:")
        with connect(url) as client:
            ask(client, "ATE0")
            assert ask(client, "03").startswith(b"SEARCHING...\r00A\r0: 43 04 01 02 ")
            assert ask(client, "04") == b"44 \r44 \r\r>"
        with connect(url) as client:
            assert ask(client, "03") == b"43 00 \r43 00 \r\r>"


def test_half_a_line_does_not_reach_the_next_client() -> None:
    with served(serve_tcp, "healthy-petrol") as url:
        with connect(url) as client:
            ask(client, "ATE0")
            client.sendall(b"01")
        with connect(url) as client:
            assert ask(client, "ATI") == b"ELM327-style v1.5\r\r>"


def test_clients_are_served_in_turn() -> None:
    with (
        served(serve_tcp, "healthy-petrol") as url,
        connect(url) as first,
        connect(url) as second,
    ):
        second.sendall(b"ATI\r")
        assert b"v1.5" in ask(first, "ATI")
        first.close()
        assert second.recv(4) == b"ATI\r"


def test_port_in_use() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(LinkOpenError, match=f"port {port}") as error:
            serve_tcp("healthy-petrol", port=port)
    assert error.value.reason is OpenFailure.BUSY


def test_impossible_port_and_scenario() -> None:
    with pytest.raises(LinkOpenError):
        serve_tcp("healthy-petrol", port=99_999)
    with pytest.raises(LinkOpenError, match="no simulated car"):
        serve_tcp("no-such-car")


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")
def test_pseudo_terminal() -> None:
    with served(serve_pty, "healthy-petrol") as path:
        descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(descriptor, b"ATI\r")
            found = b""
            while not found.endswith(b">"):
                found += os.read(descriptor, 100)
        finally:
            os.close(descriptor)
        assert found == b"ATI\rELM327-style v1.5\r\r>"
