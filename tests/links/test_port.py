"""No foreign exception gets past the link, opening or open."""

from __future__ import annotations

import errno
import os
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial

from obdlog.errors import LinkClosedError, LinkError, LinkOpenError, LinkTimeoutError, OpenFailure
from obdlog.links.port import FOREIGN, PortLink, close_port, open_failure, open_port
from obdlog.links.registry import open_link
from tests.contracts.far_ends import PtyEnd, SocketEnd

MISSING, BUSY, NOT_PERMITTED = OpenFailure.MISSING, OpenFailure.BUSY, OpenFailure.NOT_PERMITTED
UNREACHABLE, OTHER = OpenFailure.UNREACHABLE, OpenFailure.OTHER

SerialError = serial.SerialException
IN_USE: list[Exception] = [
    SerialError("device reports readiness to read but returned no data"),
    serial.PortNotOpenError(),
    OSError(errno.EIO, "Input/output error"),
    ConnectionResetError(errno.ECONNRESET, "Connection reset by peer"),
    BrokenPipeError(errno.EPIPE, "Broken pipe"),
    ValueError("file descriptor cannot be a negative integer (-1)"),
]
if sys.platform != "win32":
    import termios

    IN_USE.append(termios.error(errno.EIO, "Input/output error"))


class BrokenPort:
    """A pyserial port on which everything raises `error`."""

    def __init__(self, error: Exception) -> None:
        self._error = error
        self._read_end, self._write_end = os.pipe()
        os.write(self._write_end, b"x")  # ready to read, so that read() is reached

    def fileno(self) -> int:
        return self._read_end

    @property
    def in_waiting(self) -> int:
        raise self._error

    @property
    def baudrate(self) -> int:
        raise self._error

    @baudrate.setter
    def baudrate(self, baud: int) -> None:
        raise self._error

    def read(self, count: int) -> bytes:
        raise self._error

    def write(self, data: bytes) -> int:
        raise self._error

    def close(self) -> None:
        for fd in (self._read_end, self._write_end):
            os.close(fd)
        raise OSError(errno.EBADF, "Bad file descriptor")


@pytest.mark.parametrize("error", IN_USE, ids=lambda e: type(e).__name__)
@pytest.mark.parametrize("selectable", [True, False])
@pytest.mark.parametrize("use", [lambda link: link.read(1.0), lambda link: link.write(b"\r")])
def test_a_failure_in_use_is_a_closed_link(
    error: Exception, selectable: bool, use: Callable[[PortLink], object]
) -> None:
    link = PortLink("/dev/x", BrokenPort(error), selectable=selectable)
    with pytest.raises(LinkClosedError, match="lost the connection to /dev/x") as caught:
        use(link)
    assert caught.value.__cause__ is error
    assert isinstance(error, FOREIGN)
    with pytest.raises(LinkClosedError, match="is closed"):
        use(link)
    link.close()


@pytest.mark.parametrize(
    "error", [*IN_USE, OverflowError("too large")], ids=lambda e: type(e).__name__
)
def test_a_speed_the_port_does_not_take_is_said(error: Exception) -> None:
    link = PortLink("/dev/x", BrokenPort(error), selectable=True)
    with pytest.raises(LinkError, match="does not take 12345 bit/s"):
        link.set_baud(12345)
    link.close()


def test_a_port_that_takes_no_more_data_is_a_timeout() -> None:
    link = PortLink(
        "/dev/x", BrokenPort(serial.SerialTimeoutException("Write timeout")), selectable=True
    )
    with pytest.raises(LinkTimeoutError, match="takes no more data"):
        link.write(b"0100\r")
    link.close()


def chained(text: str, root: Exception) -> serial.SerialException:
    """Return an error as pyserial raises it: its own, with the system's behind it."""
    error = SerialError(text)
    error.__context__ = root
    return error


@pytest.mark.parametrize(
    ("error", "reason", "sentence"),
    [
        (SerialError(errno.ENOENT, "x"), MISSING, "there is no port"),
        (SerialError(errno.ENXIO, "x"), MISSING, "there is no port"),
        (SerialError("FileNotFoundError(2, 'x')"), MISSING, "there is no port"),
        (SerialError(errno.EBUSY, "x"), BUSY, "in use"),
        (SerialError(errno.EAGAIN, "could not lock"), BUSY, "in use"),
        (SerialError("PermissionError(13, 'x')"), BUSY, "in use"),
        (SerialError(errno.EACCES, "x"), NOT_PERMITTED, "not permitted"),
        (SerialError(errno.EISDIR, "x"), OTHER, "not a serial port"),
        (chained("x", ConnectionRefusedError(errno.ECONNREFUSED, "x")), UNREACHABLE, "refuses"),
        (chained("x", TimeoutError("timed out")), UNREACHABLE, "does not answer"),
        (chained("x", OSError(errno.EHOSTUNREACH, "x")), UNREACHABLE, "does not answer"),
        (chained("x", OSError(errno.ENETUNREACH, "x")), UNREACHABLE, "no network"),
        (chained("x", socket.gaierror(-2, "x")), UNREACHABLE, "no host of that name"),
        (SerialError("no RFC 2217"), OTHER, "cannot open"),
        (ValueError("Invalid baud rate: 5"), OTHER, "cannot open"),
    ],
)  # fmt: skip
def test_a_failure_to_open_has_a_reason_and_a_sentence(
    error: Exception, reason: OpenFailure, sentence: str
) -> None:
    ours = open_failure("/dev/x", error)
    assert ours.reason is reason
    assert sentence in str(ours)
    assert "/dev/x" in str(ours)
    assert ours.hint or reason is OTHER


def refused(tmp_path: Path) -> str:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return f"socket://127.0.0.1:{server.getsockname()[1]}"


def not_a_port(tmp_path: Path) -> str:
    (tmp_path / "notes.txt").write_text("no port", "utf-8")
    return f"{(tmp_path / 'notes.txt').as_posix()}?baud=9600"


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX paths")
@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (lambda _: "/dev/ttyNOSUCH0?baud=9600", MISSING),
        (not_a_port, OTHER),
        (lambda tmp_path: f"serial://{tmp_path}?baud=9600", OTHER),
        (refused, UNREACHABLE),
        (lambda tmp_path: refused(tmp_path).replace("socket", "rfc2217"), UNREACHABLE),
    ],
)
def test_real_failures_to_open(
    tmp_path: Path, make: Callable[[Path], str], reason: OpenFailure
) -> None:
    with pytest.raises(LinkOpenError) as caught:
        open_link(make(tmp_path))
    assert caught.value.reason is reason


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_port_that_is_open_already_is_busy() -> None:
    far = PtyEnd()
    first = open_link(far.url)
    try:
        with pytest.raises(LinkOpenError) as caught:
            open_link(far.url)
        assert caught.value.reason is BUSY
    finally:
        first.close()
        far.close()


@pytest.mark.parametrize("raised", [KeyboardInterrupt, SystemExit])
def test_ctrl_c_while_opening_leaves_nothing_open(
    monkeypatch: pytest.MonkeyPatch, raised: type[BaseException]
) -> None:
    closed: list[bool] = []

    class Interrupted:
        def open(self) -> None:
            raise raised

        def close(self) -> None:
            closed.append(True)

    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: Interrupted())
    with pytest.raises(raised):
        open_port("socket://h:1", "socket://h:1")
    assert closed == [True]


def test_closing_what_never_opened_is_harmless() -> None:
    port: Any = serial.serial_for_url("loop://", do_not_open=True)
    close_port(port)
    close_port(None)
    assert not port.is_open


def test_a_peer_that_closes_first_leaves_no_socket_behind() -> None:
    far = SocketEnd()
    link = open_link(far.url)
    far.accept()
    far.hang_up()
    with pytest.raises(LinkClosedError):
        link.read(2.0)
    far.close()
    assert isinstance(link, PortLink)
    assert link._port._socket is None
