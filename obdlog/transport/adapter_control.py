"""An adapter on a link: set up, connected to a car, and set for the module that is asked next."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from obdlog.adapter.commands import MAX_CAN_REQUEST_BYTES, request_text
from obdlog.adapter.protocols import PROTOCOLS
from obdlog.adapter.reply import Reply
from obdlog.adapter.routes import USUAL_TIMING, Commands, Route, engine_route, route_to
from obdlog.adapter.setup import parse_voltage
from obdlog.adapter.status import Recovery, Status
from obdlog.errors import LinkError, LinkTimeoutError
from obdlog.links.base import Link
from obdlog.links.url import parse_url
from obdlog.model import Bus, Generation, Request
from obdlog.transport.adapter_reach import Reach
from obdlog.transport.adapter_search import CLASSIC_QUESTION, NEWER_QUESTIONS, CarSearch
from obdlog.transport.adapter_setup import Abilities, set_up, wake_up
from obdlog.transport.base import BusProtocol
from obdlog.transport.conversation import Conversation, RestartedError
from obdlog.transport.judge import judge

COMMAND_S = 2.0
IDLE_S = 6.0
LEAST_SUPPLY_V = 1.0
MOST_FLOODS = 2
"""After so many replies drowned in other traffic, a search listens to one address at a time."""
MOST_RESTARTS = 3

SAYS_BANNER = frozenset({"ATZ", "ATWS", "ATD", "ATI", "AT@1"})


class AdapterControl:
    """Everything about the adapter itself; see `AdapterTransport` for parameters and attributes."""

    def __init__(self, link: Link, *, protocol: str = "0") -> None:
        if protocol != "0" and protocol not in PROTOCOLS:
            raise ValueError(f"the protocol is 0 or one of {', '.join(PROTOCOLS)}")
        self.url = link.url
        self.clock = link.clock
        self.protocol: BusProtocol | None = None
        self.generation = Generation.CLASSIC
        self.abilities = Abilities()
        self.progress: Callable[[str], None] = lambda _: None
        self._talk = Conversation(link)
        self._has_speed = parse_url(link.url).scheme in ("serial", "rfc2217")
        self._wanted_protocol = protocol
        self._reach: Reach | None = None
        self._floods = 0
        self._closed = False

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

    @property
    def searches_ranges(self) -> bool:
        """Whether a search hears a module wherever it answers from, as far as is known."""
        hears = self._reach is None or self._reach.searches_ranges
        return hears and self._floods < MOST_FLOODS

    @property
    def obeys_filter(self) -> bool:
        """Whether a receive filter has the effect it should, as far as is known."""
        return self._reach is None or self._reach.obeys_filter

    def connect(self) -> BusProtocol:
        """Wake the adapter, set it up, find the car's protocol and its generation of OBD.

        Raises
        ------
        LinkError, NoAnswerError, AdapterError
            As `CarSearch.find` and the set-up.
        """
        self.protocol = None
        self._reach = None
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
            reply = self._talk.ask(request_text(question), idle_s=IDLE_S, settled=True)
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

    def _connected(self) -> tuple[BusProtocol, Reach]:
        """Return the car's protocol and the adapter's settings.

        Raises
        ------
        ValueError
            Not connected.
        """
        if self.protocol is None or self._reach is None:
            raise ValueError("connect first")
        return self.protocol, self._reach

    def _route(self, request: Request) -> Route:
        """Return the settings that `request` needs.

        Raises
        ------
        ValueError
            Not connected, or this protocol or an adapter cannot carry it.
        """
        protocol, _ = self._connected()
        if protocol.bus is Bus.CAN and len(request.payload) > MAX_CAN_REQUEST_BYTES:
            raise ValueError(
                f"a request of {len(request.payload)} bytes does not fit into one CAN frame, and "
                "adapters send no longer ones"
            )
        return route_to(protocol, request)

    def _prepare(self, route: Route, timing: Commands) -> tuple[str, Route]:
        """Set the adapter for `route`; return why it cannot, and the route that was taken.

        Where a range of addresses cannot be listened to, a search listens to the usual one.
        """
        protocol, reach = self._connected()
        if route.protocol != protocol and protocol not in PROTOCOLS.values():
            return (
                "the bit rate of this bus is not certain: modules with identifiers of "
                f"{route.protocol.id_bits} bits cannot be asked",
                route,
            )
        for _ in range(MOST_RESTARTS):
            if route.searching and (not reach.searches_ranges or self._floods >= MOST_FLOODS):
                route = route.narrowed() or route
            try:
                if self._talk.restarted:
                    self.abilities = self._set_up_again()
                why = reach.apply(route, timing)
            except RestartedError:
                continue
            self.abilities.losses += [
                loss for loss in reach.losses if loss not in self.abilities.losses
            ]
            if why and route.searching and not reach.searches_ranges and route.narrowed():
                continue
            return why, route
        raise restarts_again(self.url)

    def _hurry(self) -> None:
        """Set the usual waiting time again.

        The answer that came before is worth more: what fails here is reported by the next
        exchange.
        """
        if self._reach is not None and not self._talk.restarted:
            with contextlib.suppress(LinkError, RestartedError):
                self._reach.wait(USUAL_TIMING)

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


def restarts_again(url: str) -> LinkTimeoutError:
    """Return the error of an adapter that does not stay up."""
    return LinkTimeoutError(
        f"the adapter on {url} restarts again and again",
        hint="Check the supply at the diagnostic connector; the battery may be weak.",
    )
