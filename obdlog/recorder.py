"""The poll loop of a road-test log: which requests, in which order, until when.

The recorder asks service 01 only. Signals that change fast are asked in every cycle, slow ones
every few seconds and spread over the cycles; on CAN up to six PIDs share a request, as far as
the car proved at the start that it answers them all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from obdlog import survey
from obdlog.client import Client
from obdlog.errors import DecodeError, LinkError, NoAnswerError
from obdlog.model import Bus, Exchange, Outcome, Reading
from obdlog.services.current_data import parse_current_data, split_current_data
from obdlog.tables.decode import Context

MOST_PIDS_A_REQUEST = 6
"""SAE J1979 allows up to six PIDs in one service 01 request on CAN."""

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

LOSSES_BEFORE_GIVING_UP = 5
LINK_LOST = "link lost"


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

    `silent_s` is the time since the last answer [s].
    """

    seconds: float
    exchanges: int
    readings: int
    readings_per_second: float
    limit_readings_per_second: float | None
    gaps: int
    lost_exchanges: int
    reason: str
    silent_s: float = 0.0


def group_pids(pids: Sequence[int], most: int) -> tuple[tuple[int, ...], ...]:
    """Return `pids` in order, in as few groups of at most `most` as possible, evenly filled."""
    if not pids:
        return ()
    groups = math.ceil(len(pids) / most)
    size = math.ceil(len(pids) / groups)
    return tuple(tuple(pids[i : i + size]) for i in range(0, len(pids), size))


def pids_a_request(client: Client, pids: Sequence[int]) -> int:
    """Return how many PIDs one request answers fully on this car and adapter: 6, 3, 2 or 1.

    Each size is tried once with real PIDs; the answer must hold every PID that the module
    announced. Older buses carry one PID a request.
    """
    if client.bus is not Bus.CAN:
        return 1
    announced = survey.supported(client.exchanges)
    for size in (MOST_PIDS_A_REQUEST, 3, 2):
        asked = tuple(pids[:size])
        if len(asked) < 2:
            continue
        exchange = client.ask(bytes([0x01, *asked]), purpose="capability")
        if exchange.outcome is not Outcome.ANSWERED:
            continue
        complete = bool(exchange.positive())
        for message in exchange.positive():
            wanted = set(asked) & announced.get(message.source, frozenset(asked))
            try:
                got = {pid for pid, _ in split_current_data(message.payload, asked)}
            except DecodeError:
                complete = False
                break
            complete = complete and wanted <= got
        if complete:
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
            hint="Run `obdlog vehicle` for what it supports; the ignition has to be on.",
        )
    # Scales and sensor layout once, so that the log can be decoded on its own.
    for pid in (0x01, 0x13, 0x1C, 0x1D, 0x4F, 0x50, 0x51):
        if pid in announced:
            client.ask(bytes([0x01, pid]), purpose="identify")
    fast = [pid for pid in pids if pid not in SLOW]
    slow = [pid for pid in pids if pid in SLOW]
    if not fast:
        fast, slow = slow, []
    most = pids_a_request(client, fast) if fast else 1
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
    """

    def __init__(
        self,
        client: Client,
        plan: PollPlan,
        *,
        on_exchange: Callable[[Progress], None] | None = None,
        should_stop: Callable[[Progress], str] | None = None,
        keep_latest: bool = False,
    ) -> None:
        self._client = client
        self._plan = plan
        self._on_exchange = on_exchange
        self._should_stop = should_stop
        self._keep_latest = keep_latest
        self._context = survey.contexts(client.exchanges)
        self._fastest_s: dict[tuple[int, ...], tuple[float, int]] = {}
        self._answered_s: float | None = None
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
        silent = 0
        try:
            while not reason:
                if clock.now_s() >= next_slow and self._plan.slow:
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
                    silent = 0 if self._poll(pids, started) else silent + 1
                    if silent >= LOSSES_BEFORE_GIVING_UP * len(cycle):
                        reason = "the car stopped answering"
                        break
        except KeyboardInterrupt:
            reason = "stopped by the user"
        except LinkError as error:
            self.progress.lost += 1
            self.progress.gaps += 1
            reason = f"{LINK_LOST}: {error}"
        self.progress.seconds = clock.now_s() - started
        since_s = started if self._answered_s is None else self._answered_s
        return self._result(reason, clock.now_s() - since_s)

    def _poll(self, pids: tuple[int, ...], started: float) -> bool:
        client, progress = self._client, self.progress
        client.exchanges.clear()  # a ten-hour log must not live in memory
        exchange = client.ask(bytes([0x01, *pids]), purpose="poll")
        progress.exchanges += 1
        readings = self._decode(exchange, pids, started)
        progress.readings += readings
        if readings:
            self._answered_s = client.transport.clock.now_s()
        else:
            progress.lost += 1
        took = client.transport.clock.now_s() - exchange.at_s
        fastest = self._fastest_s.get(pids)
        if readings and (fastest is None or took < fastest[0]):
            self._fastest_s[pids] = (took, readings)
        if self._on_exchange:
            self._on_exchange(progress)
        return bool(readings)

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

    def _result(self, reason: str, silent_s: float) -> Recording:
        progress = self.progress
        seconds = progress.seconds
        fast = [self._fastest_s[p] for p in self._plan.fast if p in self._fastest_s]
        least_s = sum(took for took, _ in fast)
        return Recording(
            seconds=round(seconds, 3),
            exchanges=progress.exchanges,
            readings=progress.readings,
            readings_per_second=round(progress.readings / seconds, 2) if seconds > 0 else 0.0,
            limit_readings_per_second=(
                round(sum(readings for _, readings in fast) / least_s, 2) if least_s > 0 else None
            ),
            gaps=progress.gaps,
            lost_exchanges=progress.lost,
            reason=reason,
            silent_s=silent_s,
        )
