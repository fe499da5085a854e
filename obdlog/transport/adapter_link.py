"""A link spoken to through an ELM327-style adapter."""

from __future__ import annotations

from dataclasses import replace

from obdlog.adapter.commands import request_text
from obdlog.adapter.reply import Reply
from obdlog.adapter.routes import (
    ANY_FLOW_CONTROL,
    PATIENT_TIMING,
    USUAL_TIMING,
    Commands,
    Route,
    brief_timing,
)
from obdlog.adapter.status import Recovery, Status
from obdlog.errors import LinkError, LinkTimeoutError
from obdlog.links.base import Link
from obdlog.model import FUNCTIONAL, Exchange, Outcome, Request
from obdlog.services.registry import changes_vehicle
from obdlog.transport.adapter_control import (
    IDLE_S,
    MOST_RESTARTS,
    AdapterControl,
    restarts_again,
)
from obdlog.transport.base import BusProtocol
from obdlog.transport.conversation import RestartedError
from obdlog.transport.judge import Judged, end_of_last_line, judge, with_times

TOTAL_S = 30.0
PATIENT_IDLE_S = 15.0
BUSY_TRIES = 3
BUSY_WAIT_S = 0.2
PENDING_TRIES = 3
PENDING_WAIT_S = 1.0
REPAIR_TRIES = 2
LONGEST_EXCHANGE_S = 45.0
"""After so long a request is not asked again, however its replies promise more."""
MOST_SILENCES = 6
"""After so many requests without an end in a row the adapter is taken for dead, prompt or not."""
LONGEST_PENDING_S = 5.0
"""How long after "response pending" a module may take (ISO 15765-4: P2*CAN_max, 5 s)."""

SEARCH_TOTAL_S = 1.0
"""How long a reply in a search may go on: what lasts longer is other traffic."""
SHORT_REPLIES_ONLY = (
    "without flow control for this module only its replies of up to seven bytes come whole"
)
_NOTHING = Judged((), Outcome.NO_DATA, Recovery.NONE, pending=False, busy=False, odd="")
_NOBODY_THERE = {Status.CAN_ERROR, Status.UNABLE_TO_CONNECT, Status.BUS_ERROR}


class AdapterTransport(AdapterControl):
    """Moves diagnostic messages through an adapter on `link`.

    Parameters
    ----------
    link : Link
        An open link; `close` closes it.
    protocol : str
        Number of the legislated protocol to use (see `obdlog.adapter.protocols`), ``0`` to let
        the adapter search.

    Attributes
    ----------
    abilities : Abilities
        What the set-up found out about the adapter.
    reply_count : int or None
        When set, harmless requests to all modules tell the adapter after how many messages it
        may stop waiting. It was learned from those and holds for no others.
    progress : callable
        Called with a few words where finding the protocol takes long.
    """

    kind = "adapter"

    def __init__(self, link: Link, *, protocol: str = "0") -> None:
        super().__init__(link, protocol=protocol)
        self.reply_count: int | None = None
        self._silences = 0

    def connect(self) -> BusProtocol:
        """Wake the adapter, set it up, find the car's protocol and its generation of OBD."""
        self._silences = 0
        return super().connect()

    def exchange(self, request: Request) -> Exchange:
        """Send `request` and return all that came of it.

        A harmless request is asked again: after a damaged reply or a restart of the adapter at
        most twice, after "busy" and "response pending" at most three times each. A request that
        changes the vehicle is sent once, whatever happens. One to a module that this adapter
        cannot reach is not sent: no data, and the note says that it cannot.

        Raises
        ------
        LinkError
            The link is gone, or the adapter stays silent, or left one request after the other
            unfinished. What was asked now did not go out in the last case.
        ValueError
            Not connected, or a request that this protocol cannot carry.
        """
        route = self._route(request)
        if self._silences >= MOST_SILENCES:
            raise LinkTimeoutError(
                f"the adapter on {self.url} takes requests and does not finish its replies",
                hint="Unplug the adapter, wait ten seconds, plug it in and try again.",
            )
        harmless = not changes_vehicle(request.payload)
        timing: Commands = USUAL_TIMING if harmless else PATIENT_TIMING
        if harmless and request.wait_s is not None:
            timing = brief_timing(request.wait_s)
        self._talk.forget_stale()
        why, route = self._prepare(route, timing)
        at_s = self.clock.now_s()
        if why:
            return Exchange(at_s, request, (), Outcome.NO_DATA, self._talk.take_wire(), note=why)
        try:
            judged, notes = self._ask(request, route, timing, harmless=harmless)
        finally:
            if not harmless:
                self._hurry()
        return Exchange(
            at_s=at_s,
            request=request,
            messages=judged.messages,
            outcome=judged.outcome,
            wire=self._talk.take_wire(),
            note="; ".join(dict.fromkeys(note for note in notes if note)),
            damaged=judged.damaged,
        )

    def _ask(
        self, request: Request, route: Route, timing: Commands, *, harmless: bool
    ) -> tuple[Judged, list[str]]:
        """Return what finally came, and notes on what went wrong on the way."""
        started_s = self.clock.now_s()
        deadline_s = started_s + LONGEST_EXCHANGE_S
        tries = 1 if route.searching else REPAIR_TRIES
        repairs = tries if harmless else 0
        # Whoever is searched for has been found when it says that it is busy.
        patient = harmless and not route.searching
        busy = BUSY_TRIES if patient else 0
        pending = PENDING_TRIES if patient else 0
        text = self._text(request, harmless=harmless)
        notes: list[str] = []
        restarts = MOST_RESTARTS
        judged: Judged | None = None
        while True:
            total_s = min(
                SEARCH_TOTAL_S if route.searching else TOTAL_S, deadline_s - self.clock.now_s()
            )
            idle_s = self._idle_s(request)
            if route.searching:
                idle_s = min(idle_s, SEARCH_TOTAL_S)
            try:
                reply = self._talk.ask(text, idle_s=idle_s, total_s=total_s, settled=True)
            except RestartedError:  # nothing was sent
                restarts -= 1
                if not restarts:
                    if judged is not None:
                        return judged, [*notes, "the adapter restarts again and again"]
                    raise restarts_again(self.url) from None
                why, route = self._prepare(route, timing)
                if why:
                    return judged or _NOTHING, [*notes, why]
                continue
            if Status.STOPPED in reply.statuses:
                self._talk.forget_stale(wait=True)
            judged = self._judge(reply, request, route, started_s)
            notes.append(judged.odd)
            flooded = route.searching and (
                Status.BUFFER_FULL in reply.statuses or (not reply.prompted and bool(reply.lines))
            )
            if flooded:
                self._floods += 1
            self._silences = 0 if reply.prompted or flooded else self._silences + 1
            if not reply.prompted:
                try:
                    self._talk.recover()
                except LinkError:
                    if harmless or not judged.messages:
                        raise
                    # What a module said of an erase is worth more than the adapter's silence.
                    return judged, notes
            if judged.recovery is Recovery.REINITIALISE or self._talk.restarted:
                notes.append("the adapter restarted and was set up again")
                self._talk.restarted = True
                if not harmless:
                    self.abilities = self._set_up_again()
                    if judged.outcome is not Outcome.ANSWERED:
                        # It went out, and what became of it is not known.
                        return replace(judged, outcome=Outcome.LOST), notes
                    return judged, notes
            if self.clock.now_s() >= deadline_s:
                return judged, notes
            found = flooded and judged.messages
            if repairs and not found and self._needs_repair(reply, judged, route):
                repairs -= 1
                if text != request_text(request.payload):
                    self.reply_count = None  # the digit may be what it stumbles over
                    text = request_text(request.payload)
            elif busy and judged.busy:
                busy -= 1
                self.clock.sleep_s(BUSY_WAIT_S)
            elif pending and judged.pending:
                pending -= 1
                timing = PATIENT_TIMING  # not every adapter waits longer for what was promised
                self.clock.sleep_s(PENDING_WAIT_S)
            else:
                if judged.pending and not harmless:
                    # It is at work on it: what is asked next would meet it half done.
                    self.clock.sleep_s(LONGEST_PENDING_S)
                if self._lacks_flow(route):
                    notes.append(SHORT_REPLIES_ONLY)
                return judged, notes
            why, route = self._prepare(route, timing)
            if why:
                return judged, [*notes, why]

    def _text(self, request: Request, *, harmless: bool) -> str:
        counted = harmless and request.target == FUNCTIONAL
        return request_text(request.payload, self.reply_count if counted else None)

    def _lacks_flow(self, route: Route) -> bool:
        """Return whether long replies on `route` end after their first frame."""
        return bool(route.flow) and self.capabilities.get(ANY_FLOW_CONTROL) is False

    def _needs_repair(self, reply: Reply, judged: Judged, route: Route) -> bool:
        """Return whether asking again may bring a better reply than this one."""
        if judged.damaged and self._lacks_flow(route):
            return False
        if not reply.prompted:
            return True
        if judged.recovery in (Recovery.RETRY, Recovery.ASK_LESS, Recovery.REINITIALISE):
            return True
        return judged.outcome is Outcome.GARBLED or judged.recovery is Recovery.DROP_COMMAND

    def _judge(self, reply: Reply, request: Request, route: Route, started_s: float) -> Judged:
        judged = judge(
            reply, request, route.protocol, headers=self.abilities.has("headers"), route=route
        )
        other = route.protocol != self.protocol
        if other and not judged.messages and _NOBODY_THERE & set(reply.statuses):
            bits = route.protocol.id_bits
            odd = f"identifiers of {bits} bits cannot be used on this bus: nobody hears them"
            return replace(_NOTHING, odd=odd)
        times = [self._arrival_s(reply, message.source) - started_s for message in judged.messages]
        return replace(judged, messages=with_times(judged.messages, times))

    def _arrival_s(self, reply: Reply, source: str) -> float:
        """Return when the last line of module `source` had arrived [clock, s]."""
        end = len(reply.raw.rstrip(b"\r\n \0"))
        if not self._talk.arrived_at_once:
            end = end_of_last_line(reply.raw, source) or end
        return self._talk.arrival_s(max(0, end - 1))

    def _idle_s(self, request: Request) -> float:
        if request.timeout_s is not None:
            return request.timeout_s
        return PATIENT_IDLE_S if changes_vehicle(request.payload) else IDLE_S
