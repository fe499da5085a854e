"""Which requests a poll loop sends: what changes fast, what is slow, and how they share a request.

Signals that change fast are asked in every cycle, slow ones every few seconds. On CAN up to six
PIDs share a request, as far as the car proved at the start that it answers them all, and as far as
the reply, which carries no lengths, can be told apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from obdlog import survey
from obdlog.client import Client
from obdlog.errors import DecodeError, NoAnswerError
from obdlog.model import Outcome
from obdlog.services import scales
from obdlog.services.current_data import split_current_data
from obdlog.services.requests import MAX_PIDS_PER_REQUEST, build_current_data
from obdlog.tables import signals
from obdlog.tables.decode import EMPTY, SECOND_BYTE_BANK

SLOW_INTERVAL_S = 5.0
CONSTANT = (0x01, 0x1C, 0x51, 0x5F, 0x63)
"""Status at the start, and what never changes: read once where the car announces it."""

NOT_POLLED = frozenset({*survey.BITMAP_PIDS, 0x02, 0x41, *CONSTANT, *scales.SCALE_PIDS})
"""Bitmaps, status words and constants: not logged in every cycle."""

SLOW = frozenset({
    0x05, 0x0F, 0x12, 0x1E, 0x1F, 0x21, 0x2F, 0x30, 0x31, 0x33, 0x3C, 0x3D, 0x3E, 0x3F, 0x46,
    0x4D, 0x4E, 0x52, 0x5B, 0x5C,
    0x64, 0x65, 0x67, 0x68, 0x6B, 0x75, 0x76, 0x77, 0x78, 0x79, 0x7C, 0x7D, 0x7E, 0x7F,
    0x81, 0x82, 0x84, 0x85, 0x86, 0x88, 0x89, 0x8A, 0x8B, 0x8F,
    0x90, 0x91, 0x92, 0x93, 0x94, 0x98, 0x99, 0x9B, 0x9F,
    0xA1, 0xA3, 0xA5, 0xA6, 0xA7, 0xA8, 0xA9, 0xAA, 0xB2, 0xC3, 0xC5, 0xC6, 0xC7, 0xC8, 0xD2, 0xD3,
})  # fmt: skip
"""Signals that physics keeps slow: temperatures, levels, counters, odometers, atmosphere."""

TWO_BYTE_TRIMS = frozenset(SECOND_BYTE_BANK)
"""Trims with a second byte where PID 1D says that bank 3 or 4 exists (SAE J1979)."""

SIZES = (MAX_PIDS_PER_REQUEST, 3, 2)
"""Numbers of PIDs in one request that are tried, the most first."""

ONE_FRAME_BYTES = 5
"""Most data of one PID that fit one CAN frame beside service and PID (ISO 15765-2); an identifier
of SAE J1979-2 is a byte longer."""
CUT_TRIES = 2

LONG_BYTES = 12
"""Data longer than this are asked alone: a reply that is cut then costs no other signal."""

USUAL = (0x0C, 0x0D, 0x05, 0x04, 0x06, 0x07, 0x0B, 0x0E, 0x0F, 0x10, 0x11, 0x1F, 0x2F, 0x33,
         0x42, 0x46)  # fmt: skip
"""Tried one by one where no bitmap is answered, as in a bare recording."""
_USUAL_TRIES = 3


@dataclass(frozen=True, slots=True)
class PollPlan:
    """Requests of every cycle, and of every `SLOW_INTERVAL_S`; each a tuple of PIDs.

    `cut` are PIDs left out because their reply never arrived whole.
    """

    fast: tuple[tuple[int, ...], ...]
    slow: tuple[tuple[int, ...], ...]
    unsupported: tuple[int, ...] = ()
    cut: tuple[int, ...] = ()


def plan_groups(
    pids: Sequence[int], most: int, *, trims_open: bool = False
) -> tuple[tuple[int, ...], ...]:
    """Return `pids` in groups of at most `most` whose reply can be told apart with certainty.

    A reply carries no lengths. So a PID whose data are long goes alone, one that the table does
    not hold too, and of those whose length is open at most one goes into each group.

    Parameters
    ----------
    trims_open
        Whether a module may have banks 3 and 4, and with them trims of two bytes, without having
        said so yet.
    """
    alone: list[int] = []
    fixed: list[int] = []
    unsettled: list[int] = []
    for pid in pids:
        allowed = signals.lengths(pid)
        if not allowed or allowed[-1] > LONG_BYTES:
            alone.append(pid)
        elif len(allowed) > 1 and (trims_open or pid not in TWO_BYTE_TRIMS):
            unsettled.append(pid)
        else:
            fixed.append(pid)
    groups = [list(group) for group in group_pids(fixed, most)]
    free = [group for group in groups if len(group) < most]
    for pid in unsettled:
        if free:
            free.pop(0).append(pid)
        else:
            groups.append([pid])
    groups += [[pid] for pid in alone]
    order = {pid: place for place, pid in enumerate(pids)}
    ordered = (tuple(sorted(group, key=order.__getitem__)) for group in groups)
    return tuple(sorted(ordered, key=lambda group: order[group[0]]))


def group_pids(pids: Sequence[int], most: int) -> tuple[tuple[int, ...], ...]:
    """Return `pids` in order, in as few groups of at most `most` as possible, evenly filled."""
    if not pids:
        return ()
    groups = math.ceil(len(pids) / most)
    size = math.ceil(len(pids) / groups)
    return tuple(tuple(pids[i : i + size]) for i in range(0, len(pids), size))


def answers_whole(client: Client, pids: Sequence[int]) -> bool:
    """Ask `pids` in one request; return whether every module that announced any sent all of its.

    What a module announces and does not send alone either is no limit of the request.
    """
    lacking = _lacking(client, pids)
    if lacking is None:
        return False
    for pid in sorted({pid for _, pid in lacking}):
        alone = _lacking(client, (pid,))
        if alone is not None and any((s, p) not in alone for s, p in lacking if p == pid):
            return False
    return True


def _lacking(client: Client, pids: Sequence[int]) -> set[tuple[str, int]] | None:
    """Ask `pids` in one request; return what is announced (source, PID) and did not come.

    None where a reply cannot be told apart. Where no module announced anything, one that answers
    all of them is enough.
    """
    announced, contexts = survey.supported(client.exchanges), client.contexts()
    wanted = {source: set(pids) & own for source, own in announced.items() if own & set(pids)}
    exchange = client.ask(build_current_data(pids), purpose="capability")
    got: dict[str, set[int]] = {}
    for message in exchange.positive():
        try:
            items = split_current_data(message.payload, pids, contexts.get(message.source, EMPTY))
        except DecodeError:
            return None
        got.setdefault(message.source, set()).update(pid for pid, _ in items)
    if not wanted:
        return set() if any(set(pids) <= found for found in got.values()) else None
    return {(source, pid) for source, own in wanted.items() for pid in own - got.get(source, set())}


def pids_a_request(client: Client, *lists: Sequence[int]) -> int:
    """Return how many PIDs one request answers whole on this car and adapter, of `SIZES`, or 1.

    Every request that a plan of these `lists` would send is tried once, since a longer reply may
    be cut where a shorter one is not. Older buses carry one PID a request, and a car after
    SAE J1979-2 three identifiers.
    """
    trims_open = _trims_open(client)
    for size in (size for size in SIZES if size <= client.most_pids):
        groups = [g for pids in lists for g in plan_groups(pids, size, trims_open=trims_open)]
        if all(answers_whole(client, group) for group in groups if len(group) > 1):
            return size
    return 1


def _trims_open(client: Client) -> bool:
    """Return whether a module announces PID 1D, the banks it has, but did not answer it."""
    contexts = client.contexts()
    return any(
        0x1D in pids and not contexts.get(source, EMPTY).known(0x1D)
        for source, pids in survey.supported(client.exchanges).items()
    )


def _cut_short(client: Client, group: tuple[int, ...]) -> bool:
    """Return whether the long reply to one PID never arrives whole, as on some adapters.

    One that does not come at all may come once the engine runs.
    """
    (pid, *others) = group
    fits = ONE_FRAME_BYTES - client.on_uds
    if others or max(signals.lengths(pid), default=0) <= fits:
        return False
    for _ in range(CUT_TRIES):
        exchange = client.ask(build_current_data(group), purpose="capability")
        if exchange.outcome is not Outcome.GARBLED:
            return False
    return True


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
    client.ask_scales()
    for pid in CONSTANT:
        if pid in announced:
            client.ask(bytes([0x01, pid]), purpose="identify")
    fast = [pid for pid in pids if pid not in SLOW]
    slow = [pid for pid in pids if pid in SLOW]
    if not fast:
        fast, slow = slow, []
    most = pids_a_request(client, fast, slow)
    groups = [plan_groups(pids, most, trims_open=_trims_open(client)) for pids in (fast, slow)]
    cut = {group for pids in groups for group in pids if _cut_short(client, group)}
    fast_groups, slow_groups = (tuple(g for g in pids if g not in cut) for pids in groups)
    return PollPlan(fast_groups, slow_groups, unsupported, tuple(sorted(pid for (pid,) in cut)))


def _answering(client: Client) -> list[int]:
    """Return which of the usual PIDs answer; of a car that answers none, few are asked."""
    found: list[int] = []
    for place, pid in enumerate(USUAL):
        if place == _USUAL_TRIES and not found:
            break
        if client.ask(bytes([0x01, pid]), purpose="identify").positive():
            found.append(pid)
    return sorted(found)
