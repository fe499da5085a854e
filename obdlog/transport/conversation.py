"""One command at a time with an adapter: send a line, wait for the prompt, never for ever."""

from __future__ import annotations

import contextlib

from obdlog.adapter.reply import Reply, ReplyReader, parse_reply, strip_echo
from obdlog.adapter.status import Status
from obdlog.errors import LinkError, LinkTimeoutError
from obdlog.links.base import Link
from obdlog.links.speed import NUDGE
from obdlog.links.spy import WireLog
from obdlog.model import WireChunk

QUIET_S = 0.1
NUDGE_S = 1.5
LONGEST_DRAIN_S = 3.0
MOST_EMPTY_READS = 100

_RESTARTS = {Status.BANNER, Status.LV_RESET}
_PROGRESS_TEXTS = (b"SEARCHING", b"BUS INIT", b"BUSINIT")


class RestartedError(Exception):
    """The adapter started anew before a line was sent; it was not sent."""


class Conversation:
    """Half-duplex talk over a link.

    `restarted` becomes True when the adapter announced between two commands that it started
    anew; whoever sets it up again resets it.
    """

    def __init__(self, link: Link) -> None:
        self._link = WireLog(link)
        self._reader = ReplyReader()
        self._waiting = False
        self._arrivals: list[tuple[int, float]] = []
        self.clock = link.clock
        self.restarted = False

    def ask(
        self, text: str, *, idle_s: float, total_s: float | None = None, settled: bool = False
    ) -> Reply:
        """Return the reply to the line `text`, without its echo.

        Gives up, with a reply that is not `prompted`, when nothing arrives for `idle_s` [s] or
        when `total_s` [s] have passed; an adapter that says it is searching may be silent until
        then.

        Raises
        ------
        LinkError
            The link is gone.
        RestartedError
            Only with `settled`: the adapter has lost its settings, and nothing was sent.
        """
        self.forget_stale()
        if settled and self.restarted:
            raise RestartedError
        self._reader.clear()
        self._arrivals.clear()
        self._waiting = True
        self._link.write(text.encode("ascii") + b"\r")
        reply = self._receive(idle_s, max(idle_s, total_s or 0.0))
        self._waiting = not reply.prompted
        lines = strip_echo(reply.lines, text)
        return Reply(lines, reply.status, reply.raw, reply.prompted, reply.statuses)

    def arrival_s(self, offset: int) -> float:
        """Return when the byte at `offset` of the last reply's raw text arrived [clock, s]."""
        for end, at_s in self._arrivals:
            if offset < end:
                return at_s
        return self._arrivals[-1][1] if self._arrivals else self.clock.now_s()

    @property
    def arrived_at_once(self) -> bool:
        """Whether the last reply came in one piece."""
        return len(self._arrivals) <= 1

    def nudge(self) -> bool:
        """Return whether the adapter comes to its prompt when spoken to; takes bounded time.

        Anything sent interrupts what the adapter is doing. What is sent is a harmless question
        and never a bare carriage return, which repeats the last command.
        """
        for _ in range(2):
            self._reader.clear()
            self._waiting = True
            self._link.write(NUDGE)
            if self._receive(NUDGE_S, LONGEST_DRAIN_S).prompted:
                self._waiting = False
                self.quiet()
                return True
        return False

    def quiet(self) -> bytes:
        """Return what still arrives until the link is quiet; takes bounded time."""
        deadline_s = self.clock.now_s() + LONGEST_DRAIN_S
        until_s = self.clock.now_s() + QUIET_S
        heard = b""
        empties = 0
        while empties <= MOST_EMPTY_READS and self.clock.now_s() < min(until_s, deadline_s):
            data = self._link.read(until_s - self.clock.now_s())
            if data:
                heard = (heard + data)[-4096:]
                until_s = self.clock.now_s() + QUIET_S
            else:
                empties += 1  # a link may come back early with nothing
        self._reader.clear()
        return heard

    def recover(self) -> None:
        """Bring a silent adapter back to its prompt.

        Raises
        ------
        LinkTimeoutError
            It stays silent.
        """
        if not self.nudge():
            raise LinkTimeoutError(
                f"the adapter on {self._link.url} stopped talking",
                hint="Unplug the adapter, wait ten seconds, plug it in and try again.",
            )

    def settle(self) -> bool:
        """Return whether the adapter is at its prompt, interrupting what it may be doing."""
        return not self._waiting or self.nudge()

    def forget_stale(self, *, wait: bool = False) -> None:
        """Drop what arrived unasked, and notice a restart in it.

        With `wait` also what is still on its way: an adapter that was interrupted answers the rest
        of the line that interrupted it.
        """
        stale = self._link.read(0.0)
        # Some adapters send a line end, or a second prompt, after the prompt.
        if wait or stale.strip(b"\r\n \0>"):
            stale += self.quiet()
            if _RESTARTS & set(parse_reply(stale[-4096:]).statuses):
                self.restarted = True

    def take_wire(self) -> tuple[WireChunk, ...]:
        """Return what crossed the link since the last call."""
        return self._link.take()

    def close(self, farewell: str = "") -> None:
        """Leave the adapter at its prompt and let go of the link, in bounded time."""
        try:
            with contextlib.suppress(LinkError):
                if self._waiting:
                    self.nudge()
                if farewell and not self._waiting:
                    self.ask(farewell, idle_s=NUDGE_S)
        finally:
            self._link.close()

    def _receive(self, idle_s: float, total_s: float) -> Reply:
        deadline_s = self.clock.now_s() + total_s
        received = 0
        empties = 0
        searching = False
        while (left_s := deadline_s - self.clock.now_s()) > 0:
            wait_s = left_s if searching else min(idle_s, left_s)
            until_s = self.clock.now_s() + wait_s
            data = self._link.read(wait_s)
            if not data:
                empties += 1
                if empties > MOST_EMPTY_READS or self.clock.now_s() >= until_s - 0.01:
                    break
                continue  # a link may come back early with nothing
            received += len(data)
            self._arrivals.append((received, self.clock.now_s()))
            reply = self._reader.feed(data)
            if reply is not None:
                return reply
            searching = any(text in self._reader.pending[-400:] for text in _PROGRESS_TEXTS)
        return self._reader.abandon()
