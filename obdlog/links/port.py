"""A link over any port object of pyserial; every foreign exception ends here."""

from __future__ import annotations

import contextlib
import errno
import select
import sys
import warnings
from typing import Any

import serial

from obdlog.clock import Clock, SystemClock
from obdlog.errors import (
    LinkClosedError,
    LinkError,
    LinkOpenError,
    LinkTimeoutError,
    OpenFailure,
)

MOST_BYTES = 65536
WRITE_TIMEOUT_S = 5.0
SLICE_S = 0.02

if sys.platform == "win32":
    FOREIGN: tuple[type[Exception], ...] = (OSError, ValueError)
else:
    import termios

    FOREIGN = (OSError, ValueError, termios.error)  # termios.error is no OSError


class PortLink:
    """A link over a pyserial port that is already open.

    Parameters
    ----------
    url : str
        The URL that the user gave.
    port : serial.SerialBase
        An open port. When `selectable`, its own read timeout is 0 and `fileno()` can be waited
        on; otherwise it is `SLICE_S`, and waiting is done in such slices, because changing the
        timeout of an open port may reconfigure the far side.
    """

    def __init__(self, url: str, port: Any, *, selectable: bool) -> None:
        self.url = url
        self.clock: Clock = SystemClock()
        self._port = port
        self._selectable = selectable
        self._open = True

    def read(self, timeout_s: float) -> bytes:
        """Return what has arrived, waiting at most `timeout_s` [s] for the first byte."""
        self._check_open()
        try:
            if self._selectable:
                ready, _, _ = select.select([self._port.fileno()], [], [], max(0.0, timeout_s))
                # A port that is ready and has nothing is gone; pyserial says so.
                return bytes(self._port.read(MOST_BYTES)) if ready else b""
            return self._read_sliced(timeout_s)
        except FOREIGN as error:
            raise self._gone(error) from error

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        self._check_open()
        try:
            self._port.write(data)
        except serial.SerialTimeoutException as error:
            raise LinkTimeoutError(
                f"{self.url} takes no more data", hint="Unplug the adapter and plug it in again."
            ) from error
        except FOREIGN as error:
            raise self._gone(error) from error

    def set_baud(self, baud: int) -> None:
        """Change the speed [bit/s].

        Raises
        ------
        LinkError
            The port does not take this speed.
        """
        self._check_open()
        try:
            self._port.baudrate = baud
        except (*FOREIGN, OverflowError) as error:
            raise LinkError(f"{self.url} does not take {baud} bit/s: {error}") from error

    def close(self) -> None:
        """Let go of the port; harmless when called twice."""
        if not self._open:
            return
        self._open = False
        close_port(self._port)

    def _read_sliced(self, timeout_s: float) -> bytes:
        deadline_s = self.clock.now_s() + timeout_s
        while True:
            waiting = int(self._port.in_waiting)
            if waiting or timeout_s > 0:
                data = bytes(self._port.read(min(max(1, waiting), MOST_BYTES)))
                if data:
                    return data + bytes(self._port.read(min(self._port.in_waiting, MOST_BYTES)))
            if self.clock.now_s() >= deadline_s:
                return b""

    def _check_open(self) -> None:
        if not self._open:
            raise LinkClosedError(f"{self.url} is closed")

    def _gone(self, error: Exception) -> LinkClosedError:
        self.close()
        return LinkClosedError(
            f"lost the connection to {self.url}: {cause(error)}",
            hint="Check the cable, the plug and the adapter's supply.",
        )


def open_port(url: str, pyserial_url: str, **settings: Any) -> Any:
    """Return the open pyserial port of `pyserial_url`.

    Raises
    ------
    LinkOpenError
        It cannot be opened; the reason is taken from the operating system's.
    """
    port: Any = None
    try:
        with warnings.catch_warnings():
            # pyserial's RFC 2217 client uses a method that newer Pythons deprecate.
            warnings.simplefilter("ignore", DeprecationWarning)
            port = serial.serial_for_url(pyserial_url, do_not_open=True, **settings)
            port.open()
    except (*FOREIGN, NotImplementedError) as error:
        close_port(port)
        raise open_failure(url, error) from error
    except BaseException:  # Ctrl-C while connecting leaves no open socket behind
        close_port(port)
        raise
    return port


def close_port(port: Any) -> None:
    """Close a pyserial port, whatever state it is in."""
    if port is None:
        return
    sock = getattr(port, "_socket", None)
    with contextlib.suppress(*FOREIGN, TypeError, AttributeError, serial.SerialException):
        port.close()
    # pyserial forgets to close a socket whose far end has gone.
    if sock is not None:
        with contextlib.suppress(OSError):
            sock.close()


_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO}
_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_NOT_PERMITTED = {errno.EACCES, errno.EPERM}
_NOT_A_PORT = {errno.EISDIR, errno.ENOTTY, errno.EINVAL, errno.ENOTDIR}


def open_failure(url: str, error: Exception) -> LinkOpenError:
    """Return our error for a failure to open `url`, with what to try."""
    root = error.__context__ if isinstance(error.__context__, FOREIGN) else error
    number = getattr(error, "errno", None) or getattr(root, "errno", None)
    if number is None and root.args and isinstance(root.args[0], int):
        number = root.args[0]  # termios.error
    text = str(error)
    if isinstance(root, TimeoutError) or number in (errno.ETIMEDOUT, errno.EHOSTUNREACH):
        return LinkOpenError(
            f"{url} does not answer",
            reason=OpenFailure.UNREACHABLE,
            hint="Join the adapter's Wi-Fi network and check its address.",
        )
    if isinstance(root, ConnectionRefusedError):
        return LinkOpenError(
            f"{url} refuses the connection: nothing listens on that port",
            reason=OpenFailure.UNREACHABLE,
            hint="Check the port number; some adapters take only one connection at a time.",
        )
    if type(root).__name__ in ("gaierror", "herror"):
        return LinkOpenError(
            f"{url}: there is no host of that name",
            reason=OpenFailure.UNREACHABLE,
            hint="Check the spelling, or give the address in numbers.",
        )
    if number == errno.ENETUNREACH:
        return LinkOpenError(
            f"{url}: there is no network that leads there",
            reason=OpenFailure.UNREACHABLE,
            hint="Join the adapter's Wi-Fi network.",
        )
    # On Windows pyserial keeps only the text of the system's error.
    if number in _MISSING or "FileNotFoundError" in text:
        return LinkOpenError(
            f"there is no port {url}",
            reason=OpenFailure.MISSING,
            hint="Plug the adapter in; `obdlog ports` lists what is there.",
        )
    if number in _BUSY or "PermissionError" in text:
        return LinkOpenError(
            f"{url} is in use by another program",
            reason=OpenFailure.BUSY,
            hint="Close the other program, or wait until it is done.",
        )
    if number in _NOT_PERMITTED:
        return LinkOpenError(
            f"not permitted to open {url}",
            reason=OpenFailure.NOT_PERMITTED,
            hint="On Linux, add yourself to the port's group (often dialout) and log in again.",
        )
    if number in _NOT_A_PORT:
        return LinkOpenError(
            f"{url} is not a serial port",
            reason=OpenFailure.OTHER,
            hint="`obdlog ports` lists the serial ports.",
        )
    return LinkOpenError(f"cannot open {url}: {cause(error)}", reason=OpenFailure.OTHER)


def cause(error: Exception) -> str:
    """Return the operating system's words for `error`, on one line."""
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(text).split())
