"""A link spoken to through an ELM327-style adapter."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace

from obdlog.adapter.commands import MAX_CAN_REQUEST_BYTES, request_text
from obdlog.adapter.protocols import PROTOCOLS
from obdlog.adapter.reply import Reply
from obdlog.adapter.routes import (
    ANY_FLOW_CONTROL,
    PATIENT_TIMING,
    USUAL_TIMING,
    Commands,
    Route,
    brief_timing,
    engine_route,
    route_to,
)
from obdlog.adapter.setup import parse_voltage
from obdlog.adapter.status import Recovery, Status
from obdlog.errors import LinkError, LinkTimeoutError
from obdlog.links.base import Link
from obdlog.links.url import parse_url
from obdlog.model import FUNCTIONAL, Bus, Exchange, Generation, Outcome, Request
from obdlog.services.registry import changes_vehicle
from obdlog.transport.adapter_reach import Reach
from obdlog.transport.adapter_search import CLASSIC_QUESTION, NEWER_QUESTIONS, CarSearch
from obdlog.transport.adapter_setup import Abilities, set_up, wake_up
from obdlog.transport.base import BusProtocol
from obdlog.transport.conversation import Conversation, RestartedError
from obdlog.transport.judge import Judged, end_of_last_line, judge, with_times

COMMAND_S = 2.0
IDLE_S = 6.0
TOTAL_S = 30.0
PATIENT_IDLE_S = 15.0
BUSY_TRIES = 3
BUSY_WAIT_S = 0.2
PENDING_TRIES = 3
PENDING_WAIT_S = 1.0
REPAIR_TRIES = 2
LEAST_SUPPLY_V = 1.0
LONGEST_EXCHANGE_S = 45.0
"""After so long a request is not asked again, however its replies promise more."""
MOST_SILENCES = 6
"""After so many requests without an end in a row the adapter is taken for dead, prompt or not."""
LONGEST_PENDING_S = 5.0
"""How long after "response pending" a module may take (ISO 15765-4: P2*CAN_max, 5 s)."""

SAYS_BANNER = frozenset({"ATZ", "ATWS", "ATD", "ATI", "AT@1"})

SEARCH_TOTAL_S = 1.0
"""How long a reply in a search may go on: what lasts longer is other traffic."""
MOST_FLOODS = 2
"""After so many replies drowned in other traffic, a search listens to one address at a time."""
MOST_RESTARTS = 3
SHORT_REPLIES_ONLY = (
    "without flow control for this module only its replies of up to seven bytes come whole"
)
_NOTHING = Judged((), Outcome.NO_DATA, Recovery.NONE, pending=False, busy=False, odd="")
_NOBODY_THERE = {Status.CAN_ERROR, Status.UNABLE_TO_CONNECT, Status.BUS_ERROR}


class AdapterTransport:
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
        if protocol != "0" and protocol not in PROTOCOLS:
            raise ValueError(f"the protocol is 0 or one of {', '.join(PROTOCOLS)}")
        self.url = link.url
        self.clock = link.clock
        self.protocol: BusProtocol | None = None
        self.generation = Generation.CLASSIC
        self.abilities = Abilities()
        self.reply_count: int | None = None
        self.progress: Callable[[str], None] = lambda _: None
        self._talk = Conversation(link)
        self._has_speed = parse_url(link.url).scheme in ("serial", "rfc2217")
        self._wanted_protocol = protocol
        self._reach: Reach | None = None
        self._floods = 0
        self._closed = False
        self._silences = 0

    @property
    def identity(self) -> str:
        """What the adapter claims to be."""
        return self.abilities.identity

    @property
    def capabilities(self) -> dict[str, bool]:
        """What the adapter can do, by the words of the set-up table and of `routes.LOSSES`.

        What only modules beyond the legislated ones need is known once one was asked.
        """
        return {**self.abilities.can, **(self._reach.can if self._reach else {})}

    def connect(self) -> BusProtocol:
        """Wake the adapter, set it up, find the car's protocol and its generation of OBD.

        Raises
        ------
        LinkError, NoAnswerError, AdapterError
            As `CarSearch.find` and the set-up.
        """
        self.protocol = None
        self._reach = None
        self._silences = 0
        self._floods = 0
        wake_up(self._talk, self.url)
        self.abilities = set_up(
            self._talk, self.url, protocol=self._wanted_protocol, keep_speed=self._has_speed
        )
        found = CarSearch(
            self._talk,
            self.abilities,
            self._set_up_again,
            wanted=self._wanted_protocol,
            progress=self.progress,
        ).find()
        self.abilities = found.abilities
        self.protocol, self.generation = found.protocol, found.generation
        self._reach = Reach(self, found.protocol, self._wanted_protocol)
        self._reach.reset(found.stored)
        self._talk.take_wire()
        return self.protocol

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
        if self.protocol is None or self._reach is None:
            raise ValueError("connect first")
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

    @property
    def searches_ranges(self) -> bool:
        """Whether a search hears a module wherever it answers from, as far as is known."""
        hears = self._reach is None or self._reach.searches_ranges
        return hears and self._floods < MOST_FLOODS

    def measure_reach(self) -> None:
        """Find out by the engine's module whether modules of any address could be asked.

        Afterwards `capabilities` tells. Does nothing on the older buses, which have no such
        settings.

        Raises
        ------
        LinkError
            The link is gone.
        """
        if self.protocol is None or self.protocol.bus is not Bus.CAN:
            return
        self._prepare(engine_route(self.protocol), USUAL_TIMING)
        self._prepare(self._route(Request(CLASSIC_QUESTION)), USUAL_TIMING)

    def voltage_v(self) -> float | None:
        """Return the supply voltage the adapter measures [V], None where it does not."""
        if not self.abilities.has("voltage"):
            return None
        reply = self._command("ATRV")
        voltage = parse_voltage(reply.lines[0]) if reply.lines else None
        # An adapter without a divider on the supply pin says 0.0: that is no measurement.
        return voltage if voltage is not None and voltage >= LEAST_SUPPLY_V else None

    def command(self, text: str) -> Reply:
        """Send one command to the adapter itself and return its reply.

        Raises
        ------
        LinkError
            The link is gone.
        """
        return self._command(text)

    def close(self) -> None:
        """Interrupt what the adapter is doing, let it hear the engine again, and let go."""
        if self._closed:
            return
        self._closed = True
        connected = self._reach is not None
        try:
            # A link that is gone, and an adapter that has restarted, need no more.
            with contextlib.suppress(LinkError, RestartedError):
                if self._reach is not None and self._talk.settle():
                    self._reach.rest()
        finally:
            self._talk.close("ATPC" if connected else "")

    def _route(self, request: Request) -> Route:
        """Return the settings that `request` needs.

        Raises
        ------
        ValueError
            This protocol, or an adapter, cannot carry it.
        """
        assert self.protocol is not None
        if self.protocol.bus is Bus.CAN and len(request.payload) > MAX_CAN_REQUEST_BYTES:
            raise ValueError(
                f"a request of {len(request.payload)} bytes does not fit into one CAN frame, and "
                "adapters send no longer ones"
            )
        return route_to(self.protocol, request)

    def _prepare(self, route: Route, timing: Commands) -> tuple[str, Route]:
        """Set the adapter for `route`; return why it cannot, and the route that was taken.

        Where a range of addresses cannot be listened to, a search listens to the usual one.
        """
        assert self._reach is not None
        if route.protocol != self.protocol and self.protocol not in PROTOCOLS.values():
            return (
                "the bit rate of this bus is not certain: modules with identifiers of "
                f"{route.protocol.id_bits} bits cannot be asked",
                route,
            )
        for _ in range(MOST_RESTARTS):
            if route.searching and (not self._reach.searches_ranges or self._floods >= MOST_FLOODS):
                route = route.narrowed() or route
            try:
                if self._talk.restarted:
                    self.abilities = self._set_up_again()
                why = self._reach.apply(route, timing)
            except RestartedError:
                continue
            self.abilities.losses += [
                loss for loss in self._reach.losses if loss not in self.abilities.losses
            ]
            if why and route.searching and not self._reach.searches_ranges and route.narrowed():
                continue
            return why, route
        raise _restarts_again(self.url)

    def _hurry(self) -> None:
        """Set the usual waiting time again.

        The answer that came before is worth more: what fails here is reported by the next
        exchange.
        """
        if self._reach is not None and not self._talk.restarted:
            with contextlib.suppress(LinkError, RestartedError):
                self._reach.wait(USUAL_TIMING)

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
                    raise _restarts_again(self.url) from None
                why, route = self._prepare(route, timing)
                if why:
                    return _NOTHING, [*notes, why]
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

    def accepts(self, command: str) -> bool | None:
        """Return whether the adapter takes a command that sets it; see `Far`."""
        reply = self._talk.ask(command, idle_s=COMMAND_S, settled=True)
        if not reply.prompted:
            self._talk.recover()
        if Status.OK not in reply.statuses:
            self._talk.forget_stale(wait=True)
        if {Status.LV_RESET, Status.BANNER} & set(reply.statuses):
            self._talk.restarted = True
        if self._talk.restarted:
            raise RestartedError
        if Status.OK in reply.statuses:
            return True
        return False if Status.UNKNOWN_COMMAND in reply.statuses else None

    def hears_the_car(self) -> bool:
        """Return whether a request to all modules is answered, as it is set now; see `Far`."""
        classic = self.generation is Generation.CLASSIC
        for question in (CLASSIC_QUESTION,) if classic else NEWER_QUESTIONS:
            request = Request(question)
            text = self._text(request, harmless=False)
            reply = self._talk.ask(text, idle_s=IDLE_S, settled=True)
            if not reply.prompted:
                self._talk.recover()
            judged = judge(reply, request, self.protocol, headers=self.abilities.has("headers"))
            if judged.recovery is Recovery.REINITIALISE or self._talk.restarted:
                self._talk.restarted = True
                raise RestartedError
            if judged.messages:
                return True
        return False

    def start_anew(self) -> None:
        """Restart the adapter and set it up; see `Far`."""
        self.abilities = self._set_up_again(restart=True)

    def _command(self, text: str) -> Reply:
        reply = self._talk.ask(text, idle_s=COMMAND_S)
        if not reply.prompted:
            self._talk.recover()
        restarts = {Status.LV_RESET} if text in SAYS_BANNER else {Status.LV_RESET, Status.BANNER}
        if self.protocol is not None and restarts & set(reply.statuses):
            self.abilities = self._set_up_again()
            reply = self._talk.ask(text, idle_s=COMMAND_S)
        return reply

    def _set_up_again(self, *, restart: bool = False) -> Abilities:
        """Give an adapter that has restarted its settings back, with the protocol if known.

        A protocol that was only guessed from the replies may have another bit rate: the adapter
        searches again.
        """
        number = self._wanted_protocol
        if self.protocol is not None and self.protocol in PROTOCOLS.values():
            number = self.protocol.number
        # What looked like a restart may have been none: only one of ours is sure to undo a filter.
        restart = restart or (self._reach is not None and not self._reach.at_rest)
        self._talk.quiet()
        abilities = set_up(
            self._talk,
            self.url,
            protocol=number,
            restart=restart,
            keep_speed=self._has_speed,
        )
        if self._reach is not None:
            self._reach.reset(number)
            abilities.losses += self._reach.losses
        return abilities


def _restarts_again(url: str) -> LinkTimeoutError:
    return LinkTimeoutError(
        f"the adapter on {url} restarts again and again",
        hint="Check the supply at the diagnostic connector; the battery may be weak.",
    )
