"""The poll loop of a road-test log: which requests, in which order, until when.

The recorder asks service 01 only. Signals that change fast are asked in every cycle, slow ones
every few seconds and spread over the cycles; on CAN up to six PIDs share a request, as far as
the car proved at the start that it answers them all.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from obdlog import survey
from obdlog.client import Client
from obdlog.errors import DecodeError, LinkError, NoAnswerError
from obdlog.model import Bus, Exchange, Reading
from obdlog.services.current_data import parse_current_data, split_current_data
from obdlog.services.requests import MAX_PIDS_PER_REQUEST, build_current_data
from obdlog.tables.decode import Context

SLOW_INTERVAL_S = 5.0
NOT_POLLED = frozenset({*range(0x00, 0x100, 0x20), 0x01, 0x02, 0x13, 0x1C, 0x1D, 0x41, 0x4F, 0x50,
                        0x51, 0x5F})  # fmt: skip
"""Bitmaps, status words and constants: read once, not logged in every cycle."""

SLOW = frozenset({0x05, 0x0F, 0x12, 0x1E, 0x1F, 0x21, 0x2F, 0x30, 0x31, 0x33, 0x3C, 0x3D, 0x3E,
                  0x3F, 0x46, 0x4D, 0x4E, 0x52, 0x5B, 0x5C})  # fmt: skip
"""Signals that physics keeps slow: temperatures, counters, atmosphere."""

USUAL = (0x0C, 0x0D, 0x05, 0x04, 0x06, 0x07, 0x0B, 0x0E, 0x0F, 0x10, 0x11, 0x1F, 0x2F, 0x33,
         0x42, 0x46)  # fmt: skip
"""Tried one by one where no bitmap is answered, as in a bare recording."""
_USUAL_TRIES = 3

GAP_S = 2.0
"""A longer time without any answer is a gap of the log; distances are not measured across it."""

SILENCE_BEFORE_GIVING_UP_S = 15.0
"""Cranking and a restarting module are shorter."""

LINK_LOST = "link lost"
SILENT = "the car stopped answering"


@dataclass(frozen=True, slots=True)
class PollPlan:
    """Requests of every cycle, and of every `SLOW_INTERVAL_S`; each a tuple of PIDs."""

    fast: tuple[tuple[int, ...], ...]
    slow: tuple[tuple[int, ...], ...]
    unsupported: tuple[int, ...] = ()


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


def group_pids(pids: Sequence[int], most: int) -> tuple[tuple[int, ...], ...]:
    """Return `pids` in order, in as few groups of at most `most` as possible, evenly filled."""
    if not pids:
        return ()
    groups = math.ceil(len(pids) / most)
    size = math.ceil(len(pids) / groups)
    return tuple(tuple(pids[i : i + size]) for i in range(0, len(pids), size))


def answers_whole(client: Client, pids: Sequence[int]) -> bool:
    """Ask `pids` in one request; return whether every module that announced any sent all of its.

    Where no module announced anything, one that answers all of them is enough.
    """
    announced = survey.supported(client.exchanges)
    wanted = {source: set(pids) & own for source, own in announced.items() if own & set(pids)}
    exchange = client.ask(build_current_data(pids), purpose="capability")
    got: dict[str, set[int]] = {}
    for message in exchange.positive():
        try:
            items = split_current_data(message.payload, pids)
        except DecodeError:
            return False
        got.setdefault(message.source, set()).update(pid for pid, _ in items)
    if not wanted:
        return any(set(pids) <= found for found in got.values())
    return all(own <= got.get(source, set()) for source, own in wanted.items())


def pids_a_request(client: Client, *lists: Sequence[int]) -> int:
    """Return how many PIDs one request answers whole on this car and adapter: 6, 3, 2 or 1.

    Every request that a plan of these `lists` would send is tried once, since a longer reply may
    be cut where a shorter one is not. Older buses carry one PID a request.
    """
    if client.bus is not Bus.CAN:
        return 1
    for size in (MAX_PIDS_PER_REQUEST, 3, 2):
        groups = [group for pids in lists for group in group_pids(pids, size)]
        if all(answers_whole(client, group) for group in groups if len(group) > 1):
            return size
    return 1


def build_plan(client: Client, wanted: Sequence[int] | None = None) -> PollPlan:
    """Return what to poll: `wanted` PIDs, or all that the car announces and that change.

    Parameters
    ----------
    wanted
        Service 01 PIDs the user asked for, in order; None for all.

    Raises
    ------
    NoAnswerError
        The car supports nothing of it.
    """
    supported = survey.supported(client.exchanges) or client.ask_bitmaps(0x01)
    announced = frozenset().union(*supported.values()) if supported else frozenset()
    if wanted is None:
        pids = sorted(announced - NOT_POLLED) if announced else _answering(client)
        unsupported: tuple[int, ...] = ()
    else:
        pids = [pid for pid in dict.fromkeys(wanted) if not announced or pid in announced]
        unsupported = tuple(pid for pid in wanted if announced and pid not in announced)
    if not pids:
        raise NoAnswerError(
            "the car supports none of these signals" if announced else "no module answered",
            hint="The recording does not hold them."
            if client.transport.kind == "playback"
            else "Run `obdlog vehicle` for what it supports; the ignition has to be on.",
        )
    # Scales and sensor layout once, so that the log can be decoded on its own.
    for pid in (0x01, 0x13, 0x1C, 0x1D, 0x4F, 0x50, 0x51):
        if pid in announced:
            client.ask(bytes([0x01, pid]), purpose="identify")
    fast = [pid for pid in pids if pid not in SLOW]
    slow = [pid for pid in pids if pid in SLOW]
    if not fast:
        fast, slow = slow, []
    most = pids_a_request(client, fast, slow)
    return PollPlan(group_pids(fast, most), group_pids(slow, most), unsupported)


def _answering(client: Client) -> list[int]:
    """Return which of the usual PIDs answer; of a car that answers none, few are asked."""
    found: list[int] = []
    for place, pid in enumerate(USUAL):
        if place == _USUAL_TRIES and not found:
            break
        if client.ask(bytes([0x01, pid]), purpose="identify").positive():
            found.append(pid)
    return sorted(found)


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
        self._context = survey.contexts(client.exchanges)
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
                if slow_queue:
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
        for message in exchange.positive():
            context = self._context.get(message.source, Context())
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
