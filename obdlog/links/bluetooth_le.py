"""Adapters on Bluetooth LE, through bleak (extra ``ble``).

bleak is asynchronous. All of that stays in here: one thread of its own runs the event loop, and
the rest of the program sees a link that blocks like any other.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import threading
from concurrent.futures import CancelledError, Future
from typing import TYPE_CHECKING, Any, TypeVar

from obdlog.clock import Clock, SystemClock
from obdlog.errors import LinkClosedError, LinkError, LinkOpenError, LinkTimeoutError, OpenFailure
from obdlog.links.ble_errors import may_pass, open_failure, words
from obdlog.links.ble_pair import Characteristic, Pair, Wishes, choose, describe, full_uuid
from obdlog.links.url import LinkUrl, bad_url

T = TypeVar("T")

if TYPE_CHECKING:
    from collections.abc import Awaitable

    from bleak import BleakClient

MOST_BYTES = 65536
MOST_WAITING = 1 << 20
"""Bytes that wait for a reader at most. Bluetooth LE cannot tell a device to pause."""

TRIES = 3
TRY_S = 10.0
CONNECT_S = 30.0
WRITE_TIMEOUT_S = 5.0
LET_GO_S = 3.0
GRACE_S = 2.0
LEAST_CHUNK = 20
"""What always fits one write: the smallest MTU is 23, of which 3 are the header [BT-CORE]."""

MOST_CHUNK = 512
"""The longest value of an attribute [BT-CORE]."""

NEEDS = "Install it with `pip install obdlog[ble]`."

_MAC = re.compile(r"[0-9A-F]{2}(?::[0-9A-F]{2}){5}")


class BluetoothLink:
    """A link to the serial line of a Bluetooth LE device.

    Parameters
    ----------
    url : str
        The URL that the user gave.
    address : str
        The device's address, on macOS its UUID.
    wishes : Wishes
        What the user said about the serial pair.

    Raises
    ------
    LinkOpenError
        There is no Bluetooth here, no such device, or no serial pair on it. Opening takes at
        most `CONNECT_S` [s] and tries `TRIES` times.
    """

    def __init__(self, url: str, address: str, wishes: Wishes = Wishes()) -> None:  # noqa: B008
        self.url = url
        self.clock: Clock = SystemClock()
        self._address = address
        self._wishes = wishes
        self._client: BleakClient | None = None
        self._pair: Pair | None = None
        self._changed = threading.Condition()
        self._arrived = bytearray()
        self._end = ""  # why no more will come; empty while the link is up
        self._closed = False
        self._sending: asyncio.Task[Any] | None = None
        self._loop = asyncio.new_event_loop()
        self._loop.set_exception_handler(say_nothing)
        self._stop = asyncio.Event()
        self._started: Future[None] = Future()
        self._thread = threading.Thread(target=self._run, name="bluetooth-le", daemon=True)
        self._thread.start()
        try:
            self._started.result(CONNECT_S + LET_GO_S + GRACE_S)
        except BaseException as error:  # Ctrl-C while connecting leaves nothing behind either
            self.close()
            if isinstance(error, TimeoutError):
                raise open_failure(url, error) from error
            raise

    def read(self, timeout_s: float) -> bytes:
        """Return what has arrived, waiting at most `timeout_s` [s] for the first byte.

        What arrived before the connection was lost is still returned.

        Raises
        ------
        LinkClosedError
            The connection is lost, or the link closed.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._arrived or self._end, max(0.0, timeout_s))
            if self._arrived:
                data = bytes(self._arrived[:MOST_BYTES])
                del self._arrived[:MOST_BYTES]
                return data
            if self._end:
                raise self._gone()
            return b""

    def write(self, data: bytes) -> None:
        """Send all of `data`, in pieces that the connection takes.

        Raises
        ------
        LinkTimeoutError
            The device takes no more data; what was not sent by then never is.
        """
        with self._changed:
            if self._end:
                raise self._gone()
            # Under the lock: the loop is not let go of before what is put on it here has begun.
            sent = asyncio.run_coroutine_threadsafe(self._send(bytes(data)), self._loop)
        try:
            sent.result(WRITE_TIMEOUT_S + GRACE_S)
        except LinkError:
            raise
        except CancelledError:
            raise self._gone() from None
        except TimeoutError as error:
            sent.cancel()
            raise self._no_more_taken() from error
        except BaseException:  # Ctrl-C: the rest is not sent
            sent.cancel()
            raise

    def set_baud(self, baud: int) -> None:
        """Do nothing: the radio has no such speed, and the one behind it is not ours to set."""

    def close(self) -> None:
        """Let go of the device; harmless when called twice."""
        with self._changed:
            self._closed = True
            self._arrived.clear()
            self._finish(f"{self.url} is closed")
        self._thread.join(2 * LET_GO_S + GRACE_S)

    def _gone(self) -> LinkClosedError:
        if self._closed:
            return LinkClosedError(f"{self.url} is closed")
        return LinkClosedError(
            self._end, hint="Check the adapter's supply and plug, and stay near it."
        )

    def _no_more_taken(self) -> LinkTimeoutError:
        return LinkTimeoutError(
            f"{self.url} takes no more data", hint="Unplug the adapter and plug it in again."
        )

    def _finish(self, why: str) -> None:
        """Let nothing more come or go; the first reason stays."""
        with self._changed:
            self._end = self._end or why
            self._changed.notify_all()
        with contextlib.suppress(RuntimeError):  # the loop is closed: it has stopped already
            self._loop.call_soon_threadsafe(self._stop.set)

    # Called by bleak.

    def _on_bytes(self, _sender: object, data: bytearray) -> None:
        with self._changed:
            if self._end:
                return
            if len(self._arrived) + len(data) <= MOST_WAITING:
                self._arrived += data
                self._changed.notify_all()
                return
        # To leave bytes out would make other replies of what is left.
        self._finish(f"{self.url} sent more than {MOST_WAITING} bytes that nobody read")

    def _on_disconnect(self, client: BleakClient) -> None:
        # While connecting, whoever asked bleak hears of it there, and tries again.
        if client is self._client and self._started.done():
            self._finish(f"lost the connection to {self.url}")

    # In the thread of the loop.

    def _run(self) -> None:
        try:
            with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
                runner.run(self._live())
        except BaseException as error:
            if not self._started.done():
                self._started.set_exception(error)
            self._finish(f"lost the connection to {self.url}: {words(error)}")

    async def _live(self) -> None:
        """Connect, say so, stay until told to stop, let go."""
        stopped = asyncio.ensure_future(self._stop.wait())
        connecting = asyncio.ensure_future(self._connect())
        try:
            await asyncio.wait({stopped, connecting}, return_when=asyncio.FIRST_COMPLETED)
            if connecting.done():
                await connecting
            if self._end:
                raise LinkOpenError(
                    self._end,
                    reason=OpenFailure.OTHER,
                    hint="Unplug the adapter and plug it in again.",
                )
            self._started.set_result(None)
            if self._client is not None and self._client.is_connected:
                await stopped
        finally:
            self._finish(f"lost the connection to {self.url}")
            connecting.cancel()
            if self._sending is not None:
                self._sending.cancel()
            await asyncio.wait({connecting}, timeout=LET_GO_S)
            await self._let_go()

    async def _connect(self) -> None:
        try:
            async with asyncio.timeout(CONNECT_S):
                for left in reversed(range(TRIES)):
                    try:
                        return await self._try_once()
                    except LinkOpenError as failure:
                        await self._let_go()
                        if not left or not may_pass(failure):
                            raise
        except TimeoutError as error:
            raise open_failure(self.url, error) from error

    async def _try_once(self) -> None:
        with self._changed:
            self._arrived.clear()
        client = await self._foreign(self._reach())
        offered = characteristics(client.services)
        pair = choose(offered, self._wishes)
        if pair is None:
            raise LinkOpenError(
                f"{self.url} has no pair of characteristics to read from and write to: "
                f"{describe(offered)}",
                reason=OpenFailure.NOT_AN_ADAPTER,
                hint="Choose another device, or name them with ?service=, read= and write=.",
            )
        self._pair = pair
        await self._foreign(client.start_notify(pair.listen.handle, self._on_bytes))

    async def _reach(self) -> BleakClient:
        from bleak import BleakClient

        client = BleakClient(self._address, self._on_disconnect, timeout=TRY_S)
        self._client = client
        await client.connect()
        return client

    async def _foreign(self, doing: Awaitable[T]) -> T:
        """Return what bleak returns; whatever its stacks raise becomes one of our errors."""
        try:
            return await doing
        except Exception as error:  # D-Bus, WinRT and Objective-C each raise their own
            raise open_failure(self.url, error) from error

    async def _send(self, data: bytes) -> None:
        client, pair = self._client, self._pair
        if client is None or pair is None:
            raise self._gone()
        self._sending = asyncio.current_task()
        try:
            async with asyncio.timeout(WRITE_TIMEOUT_S):
                size = chunk_size(client.services.get_characteristic(pair.write.handle))
                for start in range(0, len(data), size):
                    await client.write_gatt_char(
                        pair.write.handle,
                        data[start : start + size],
                        response=pair.with_response,
                    )
        except TimeoutError as error:
            raise self._no_more_taken() from error
        except Exception as error:  # as in `_foreign`
            self._finish(f"lost the connection to {self.url}: {words(error)}")
            raise self._gone() from error
        finally:
            self._sending = None

    async def _let_go(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            # Nobody can do anything about a device that does not let go in time.
            with contextlib.suppress(Exception):
                async with asyncio.timeout(LET_GO_S):
                    await client.disconnect()


def open_ble(url: LinkUrl) -> BluetoothLink:
    """Return the Bluetooth LE device that ``ble://ADDRESS`` names.

    Raises
    ------
    LinkOpenError
        The URL is malformed, bleak is not installed, or see `BluetoothLink`.
    """
    url.allow("service", "read", "write")
    address = address_of(url)
    wishes = Wishes(*(_uuid_option(url, name) for name in ("service", "read", "write")))
    need_bleak(url.text)
    return BluetoothLink(url.text, address, wishes)


def address_of(url: LinkUrl) -> str:
    """Return the address in `url` as bleak takes it: a MAC address, or a UUID (macOS).

    Raises
    ------
    LinkOpenError
        It is neither.
    """
    text = url.place.rstrip("/").upper()
    mac = text.replace("-", ":")
    if _MAC.fullmatch(mac):
        return mac
    if len(text) == 36 and full_uuid(text):
        return text
    raise bad_url(url.text, "ble", "it needs a Bluetooth address, on macOS the UUID of a device")


def need_bleak(what: str) -> None:
    """Check that bleak is installed.

    Raises
    ------
    LinkOpenError
        It is not; `reason` is NEEDS_EXTRA.
    """
    try:
        import bleak  # noqa: F401
    except ImportError as error:
        raise LinkOpenError(
            f"{what} needs the extra for Bluetooth LE, which is not installed",
            reason=OpenFailure.NEEDS_EXTRA,
            hint=NEEDS,
        ) from error


def characteristics(services: Any) -> list[Characteristic]:
    """Return what bleak's collection of `services` holds; what has no proper number is left out."""
    return [
        Characteristic(c.handle, uuid, frozenset(c.properties), service.handle, of)
        for service in services
        if (of := full_uuid(service.uuid))
        for c in service.characteristics
        if (uuid := full_uuid(c.uuid))
    ]


def chunk_size(characteristic: Any) -> int:
    """Return how many bytes one write to `characteristic` may have."""
    try:
        size = int(characteristic.max_write_without_response_size)
    except (AttributeError, TypeError, ValueError):
        return LEAST_CHUNK
    return min(max(size, LEAST_CHUNK), MOST_CHUNK)


def _uuid_option(url: LinkUrl, name: str) -> str:
    uuid = full_uuid(url.options[name]) if name in url.options else ""
    if uuid is None:
        raise bad_url(url.text, "ble", f"{name} must be a number of 4 digits or a whole UUID")
    return uuid


def say_nothing(_loop: object, _context: object) -> None:
    """Keep what goes wrong in a background task of bleak off the terminal.

    What matters of it also ends the connection, and that is said.
    """
