"""Serves the simulated car to other programs: over TCP on loopback, or on a pseudo-terminal.

One thread, one client at a time, real time. The car outlives its clients: what one erased stays
erased for the next.
"""

from __future__ import annotations

import errno
import os
import selectors
import socket
from collections.abc import Callable
from typing import Protocol, TypedDict, Unpack

from obdlog.clock import Clock, SystemClock
from obdlog.errors import LinkOpenError, OpenFailure
from obdlog.simulator.adapter import Adapter
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.personality import load_personality
from obdlog.simulator.profile import Profile, load_profile

Ready = Callable[[str], None]
Stop = Callable[[], bool]
Attend = Callable[[SimulatedCar], None]

_IDLE_S = 0.2
_MAX_UNSENT = 1 << 20
_CHUNK = 4096


def never() -> bool:
    """Return False: nobody wants it to end."""
    return False


def leave_alone(car: SimulatedCar) -> None:
    """Do nothing to the car."""


class _Road(Protocol):
    """Bytes from and to one client, without waiting."""

    def fileno(self) -> int: ...
    def receive(self) -> bytes | None: ...
    def send(self, data: bytes) -> int: ...


class _Socket:
    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection

    def fileno(self) -> int:
        return self._connection.fileno()

    def receive(self) -> bytes | None:
        """Return what came, None when the client has gone."""
        try:
            return self._connection.recv(_CHUNK) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def send(self, data: bytes) -> int:
        """Return how many bytes went out, −1 when the client has gone."""
        try:
            return self._connection.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            return -1


class _Terminal:
    def __init__(self, master: int) -> None:
        self._master = master

    def fileno(self) -> int:
        return self._master

    def receive(self) -> bytes | None:
        """Return what came; a terminal's client cannot be seen to go."""
        try:
            return os.read(self._master, _CHUNK)
        except OSError:
            return b""

    def send(self, data: bytes) -> int:
        """Return how many bytes went out."""
        try:
            return os.write(self._master, data)
        except OSError:
            return 0


class Server:
    """A car with its adapter, served in real time until told to stop."""

    def __init__(
        self,
        car: SimulatedCar,
        adapter: Adapter,
        stop: Stop = never,
        attend: Attend = leave_alone,
    ) -> None:
        self.car, self.adapter = car, adapter
        self._clock: Clock = car.clock
        self._stop, self._attend = stop, attend

    @property
    def stopped(self) -> bool:
        """Whether the caller wants it to end."""
        return self._stop()

    def pass_time(self) -> None:
        """Bring the car up to the present, and let the caller do something to it."""
        self.car.advance()
        self._attend(self.car)

    def serve(self, road: _Road) -> None:
        """Speak to one client until it goes or the server is stopped."""
        unsent = bytearray()
        self.adapter.unplug()
        with selectors.DefaultSelector() as selector:
            selector.register(road, selectors.EVENT_READ)
            while not self._stop():
                events = selectors.EVENT_READ | (selectors.EVENT_WRITE if unsent else 0)
                selector.modify(road, events)
                self.pass_time()
                for _, mask in selector.select(self._patience_s()):
                    if mask & selectors.EVENT_READ:
                        data = road.receive()
                        if data is None:
                            return
                        if data:
                            self.adapter.receive(data, self._clock.now_s())
                unsent += self.adapter.due(self._clock.now_s())
                if unsent:
                    sent = road.send(bytes(unsent[:_CHUNK]))
                    if sent < 0 or len(unsent) > _MAX_UNSENT:
                        return
                    del unsent[:sent]

    def _patience_s(self) -> float:
        due = self.adapter.next_due_s()
        if due is None:
            return _IDLE_S
        return min(max(due - self._clock.now_s(), 0.0), _IDLE_S)


class Options(TypedDict, total=False):
    """What may be said beyond the scenario; see `SimulatedCar` and `Personality`.

    An accepted erase starts engine and drive `start_after_clear_s` [s] later, so that a recording
    made after it sees a running engine; None leaves the engine alone, and without the option the
    scenario decides. `stop` is asked now and then whether to end,
    `attend` may do something to the car.
    """

    seed: int
    personality: str | None
    drive: str | None
    cleared: bool
    engine_start_after_s: float
    start_after_clear_s: float | None
    key_cycle_after_erase_s: float | None
    stop: Stop
    attend: Attend


def build_car(profile: Profile, clock: Clock, options: Options) -> SimulatedCar:
    """Return the car in `clock` that a caller's options describe.

    Raises
    ------
    LinkOpenError
        There is no such drive.
    """
    return SimulatedCar(
        profile,
        options.get("seed", 1),
        clock,
        drive=options.get("drive"),
        cleared=options.get("cleared", False),
        engine_start_after_s=options.get("engine_start_after_s", 10.0),
        start_after_clear_s=options.get(
            "start_after_clear_s", profile.timeline.start_after_clear_s
        ),
        key_cycle_after_erase_s=options.get("key_cycle_after_erase_s"),
    )


def build_server(scenario: str, clock: Clock, **options: Unpack[Options]) -> Server:
    """Return the scenario's car in `clock`, ready to be served.

    Raises
    ------
    LinkOpenError
        There is no such scenario, drive or personality.
    """
    profile = load_profile(scenario)
    car = build_car(profile, clock, options)
    nature = load_personality(options.get("personality") or profile.personality)
    adapter = Adapter(car, nature, car.seed)
    return Server(car, adapter, options.get("stop", never), options.get("attend", leave_alone))


def serve_tcp(
    scenario: str,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    ready: Ready | None = None,
    **options: Unpack[Options],
) -> None:
    """Serve on a TCP port until Ctrl-C; `ready` is called with the link URL once it listens.

    Port 0 takes a free one. Clients are served one after the other.

    Raises
    ------
    LinkOpenError
        The port cannot be had, or there is no such scenario, drive or personality.
    """
    server = build_server(scenario, SystemClock(), **options)
    with _listen(host, port) as listener:
        if ready is not None:
            shown = f"[{host}]" if ":" in host else host
            ready(f"socket://{shown}:{listener.getsockname()[1]}")
        try:
            while not server.stopped:
                server.pass_time()
                try:
                    connection, _ = listener.accept()
                except (TimeoutError, BlockingIOError):
                    continue
                with connection:
                    connection.setblocking(False)
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    server.serve(_Socket(connection))
        except KeyboardInterrupt:
            return


def _listen(host: str, port: int) -> socket.socket:
    where = f"port {port} on {host}"
    if not 0 <= port <= 0xFFFF:
        raise LinkOpenError(f"cannot serve on {where}: no such port", reason=OpenFailure.BAD_URL)
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.create_server((host, port), family=family, backlog=4)
    except OSError as error:
        reasons = {
            errno.EADDRINUSE: (OpenFailure.BUSY, "another program has it"),
            errno.EACCES: (OpenFailure.NOT_PERMITTED, "this needs more rights"),
            errno.EADDRNOTAVAIL: (OpenFailure.UNREACHABLE, "no such address here"),
        }
        code = error.errno if error.errno is not None else 0
        reason, why = reasons.get(code, (OpenFailure.OTHER, error.strerror or "it failed"))
        raise LinkOpenError(
            f"cannot serve on {where}: {why}", reason=reason, hint="choose another port"
        ) from error
    listener.settimeout(_IDLE_S)
    return listener


def serve_pty(
    scenario: str,
    *,
    ready: Ready | None = None,
    **options: Unpack[Options],
) -> None:
    """Serve on a new pseudo-terminal until Ctrl-C; `ready` is called with its device path.

    Raises
    ------
    LinkOpenError
        This system has no pseudo-terminals, or there is no such scenario, drive or personality.
    """
    server = build_server(scenario, SystemClock(), **options)
    try:
        import tty

        master, slave = os.openpty()
        tty.setraw(slave)
    except (ImportError, AttributeError, OSError) as error:
        raise LinkOpenError(
            "this system has no pseudo-terminals",
            reason=OpenFailure.OTHER,
            hint="serve on TCP instead",
        ) from error
    try:
        os.set_blocking(master, False)
        if ready is not None:
            ready(os.ttyname(slave))
        # The slave stays open here, so that clients may come and go.
        server.serve(_Terminal(master))
    except KeyboardInterrupt:
        return
    finally:
        os.close(slave)
        os.close(master)
