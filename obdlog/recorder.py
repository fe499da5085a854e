"""The poll loop of a road-test log: sends what a plan says, until told to stop.

The recorder asks service 01 only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from obdlog.client import Client
from obdlog.errors import DecodeError, LinkError
from obdlog.model import Exchange, Reading
from obdlog.poll_plan import NOT_POLLED, SLOW_INTERVAL_S, PollPlan
from obdlog.services import scales
from obdlog.services.current_data import parse_current_data
from obdlog.services.requests import build_current_data
from obdlog.tables.decode import EMPTY

GAP_S = 2.0
"""A longer time without any answer is a gap of the log; distances are not measured across it."""

SILENCE_BEFORE_GIVING_UP_S = 15.0
"""Cranking and a restarting module are shorter."""

LINK_LOST = "link lost"
SILENT = "the car stopped answering"


@dataclass(slots=True)
class Progress:
    """What the log holds so far; `latest` is the last reading of each signal by module."""

    seconds: float = 0.0
    exchanges: int = 0
    readings: int = 0
    lost: int = 0
    gaps: int = 0
    latest: dict[tuple[str, str], tuple[float, Reading]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Recording:
    """How a recording ended; rates in readings per second.

    The limit is the rate at which the same requests would have gone had each always taken its
    fastest time. `lost_exchanges` are polls that brought no reading, `gaps` the times of more
    than `GAP_S` without any answer.
    """

    seconds: float
    exchanges: int
    readings: int
    readings_per_second: float
    limit_readings_per_second: float | None
    gaps: int
    lost_exchanges: int
    reason: str


class Recorder:
    """Polls a `PollPlan` until told to stop; the client's transport does the writing.

    Parameters
    ----------
    on_exchange
        Called after every exchange with the progress so far.
    should_stop
        Called before every request; a non-empty text ends the log with that reason.
    on_gap
        Called with start, end [s, of the transport's clock] and cause of each gap.
    keep_latest
        Keep the last reading of each signal in the progress.
    """

    def __init__(
        self,
        client: Client,
        plan: PollPlan,
        *,
        on_exchange: Callable[[Progress], None] | None = None,
        should_stop: Callable[[Progress], str] | None = None,
        on_gap: Callable[[float, float, str], None] | None = None,
        keep_latest: bool = False,
    ) -> None:
        self._client = client
        self._plan = plan
        self._on_exchange = on_exchange
        self._should_stop = should_stop
        self._on_gap = on_gap
        self._keep_latest = keep_latest
        self._contexts = client.contexts()
        self._fastest_s: dict[tuple[int, ...], float] = {}
        self._answered: Counter[tuple[int, ...]] = Counter()
        self._answered_s = 0.0
        self.progress = Progress()

    def run(self, *, for_s: float | None = None) -> Recording:
        """Poll for `for_s` seconds (None: until stopped) and return how it ended.

        A lost link ends the log with its reason instead of raising: what was recorded counts.
        KeyboardInterrupt ends it too.
        """
        clock = self._client.transport.clock
        started = clock.now_s()
        next_slow = started
        slow_queue: list[tuple[int, ...]] = []
        reason = "" if self._plan.fast or self._plan.slow else "there is nothing to poll"
        self._answered_s = started
        try:
            while not reason:
                # Not refilled before it is empty, or the last of many slow ones would never come.
                if self._plan.slow and not slow_queue and clock.now_s() >= next_slow:
                    slow_queue = list(self._plan.slow)
                    next_slow = clock.now_s() + SLOW_INTERVAL_S
                cycle = list(self._plan.fast)
                if not self.progress.exchanges:
                    # Each signal once at the start, so that even a short log holds all of them.
                    cycle += slow_queue
                    slow_queue = []
                elif slow_queue:
                    # One slow request a cycle keeps the fast ones evenly spaced.
                    cycle.append(slow_queue.pop(0))
                for pids in cycle:
                    self.progress.seconds = clock.now_s() - started
                    if for_s is not None and self.progress.seconds >= for_s:
                        reason = "time reached"
                        break
                    if self._should_stop and (reason := self._should_stop(self.progress)):
                        break
                    self._poll(pids, started)
                    if clock.now_s() - self._answered_s >= SILENCE_BEFORE_GIVING_UP_S:
                        reason = SILENT
                        break
        except KeyboardInterrupt:
            reason = "stopped by the user"
        except LinkError as error:
            self.progress.lost += 1
            reason = f"{LINK_LOST}: {error}"
            self._note_gap(clock.now_s(), reason)
        if reason == SILENT:
            self._note_gap(clock.now_s(), reason)
        self.progress.seconds = clock.now_s() - started
        return self._result(reason)

    def _note_gap(self, until_s: float, cause: str) -> None:
        self.progress.gaps += 1
        if self._on_gap:
            self._on_gap(self._answered_s, until_s, cause)

    def _poll(self, pids: tuple[int, ...], started: float) -> None:
        client, progress = self._client, self.progress
        # Not kept: a ten-hour log must not live in memory.
        exchange = client.ask(build_current_data(pids), purpose="poll", keep=False)
        progress.exchanges += 1
        readings = self._decode(exchange, pids, started)
        progress.readings += readings
        if readings:
            now_s = client.transport.clock.now_s()
            # A request that had to be asked again may itself hold the silence.
            came_s = exchange.at_s + min(m.after_s for m in exchange.positive())
            if came_s - self._answered_s > GAP_S:
                self._note_gap(came_s, "no answer")
            self._answered_s = now_s
            took_s = now_s - exchange.at_s
            self._fastest_s[pids] = min(took_s, self._fastest_s.get(pids, took_s))
            self._answered[pids] += 1
        else:
            progress.lost += 1
        if self._on_exchange:
            self._on_exchange(progress)

    def _decode(self, exchange: Exchange, pids: tuple[int, ...], started: float) -> int:
        count = 0
        if not NOT_POLLED.isdisjoint(pids):
            scales.learn(self._contexts, exchange)
        for message in exchange.positive():
            context = self._contexts.get(message.source, EMPTY)
            try:
                readings = parse_current_data(message.payload, context, self._client.bus, pids)
            except DecodeError:
                continue
            count += len(readings)
            if self._keep_latest:
                at_s = exchange.at_s - started + message.after_s
                for reading in readings:
                    self.progress.latest[(message.source, reading.signal)] = (at_s, reading)
        return count

    def _result(self, reason: str) -> Recording:
        progress = self.progress
        seconds = progress.seconds
        least_s = sum(self._fastest_s[pids] * count for pids, count in self._answered.items())
        return Recording(
            seconds=round(seconds, 3),
            exchanges=progress.exchanges,
            readings=progress.readings,
            readings_per_second=round(progress.readings / seconds, 2) if seconds > 0 else 0.0,
            limit_readings_per_second=(
                round(progress.readings / least_s, 2) if least_s > 0 else None
            ),
            gaps=progress.gaps,
            lost_exchanges=progress.lost,
            reason=reason,
        )
