"""Keeps an adapter set for the module that is asked, and able to hear the engine afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from obdlog.adapter.protocols import header_commands
from obdlog.adapter.routes import (
    ANY_FLOW_CONTROL,
    FILTER_IN_FORCE,
    FLOW_DATA,
    LEGISLATED,
    LOSSES,
    NOBODY,
    RECEIVE_FILTER,
    SEARCH,
    USUAL_TIMING,
    Commands,
    Route,
    legislated_forms,
    lets_engine_through,
    one_source_forms,
    search_forms,
    unproven_forms,
)
from obdlog.model import FUNCTIONAL
from obdlog.transport.base import BusProtocol

ADAPTERS_OWN = ""
"""Flow control as the adapter gives it by itself."""


class Far(Protocol):
    """What the settings are made through."""

    def accepts(self, command: str) -> bool | None:
        """Return whether the adapter takes `command`, None where that is not clear.

        Raises
        ------
        LinkError
            The link is gone.
        RestartedError
            The adapter has lost its settings.
        """
        ...

    def hears_the_car(self) -> bool:
        """Return whether a request to all modules is answered; errors as `accepts`."""
        ...

    def start_anew(self) -> None:
        """Restart the adapter and set it up; errors as `accepts`."""
        ...


class Reach:
    """Settings in force, None for one that is not known; `can` and `losses` are found on the way.

    Parameters
    ----------
    protocol
        The car's protocol, on which the engine is heard.
    stored
        The protocol number that the adapter is to keep when it is left.
    """

    def __init__(self, far: Far, protocol: BusProtocol, stored: str) -> None:
        self._far = far
        self._base = protocol
        self._wanted_stored = stored
        self._stored: str | None = None
        self._refused: dict[str, str] = {}
        self._one_form: int | None = None
        self._way_back: Commands | None = None
        self._ranges_work: bool | None = None
        self.can: dict[str, bool] = {}
        self.losses: list[str] = []
        self.reset()

    def reset(self, stored: str | None = None) -> None:
        """Take note that the adapter was set up: all is at its default."""
        self._number: str | None = self._base.number
        self._header: Commands | None = header_commands(self._base, FUNCTIONAL)
        self._receive: str | None = LEGISLATED
        self._flow: str | None = ADAPTERS_OWN
        self._flow_data = False
        self._timing: Commands | None = USUAL_TIMING
        self._stored = stored or self._stored

    @property
    def at_rest(self) -> bool:
        """Whether the adapter hears the engine and waits as usual."""
        return (self._number, self._receive, self._flow, self._timing) == (
            self._base.number,
            LEGISLATED,
            ADAPTERS_OWN,
            USUAL_TIMING,
        )

    @property
    def searches_ranges(self) -> bool:
        """Whether the adapter lets a range of identifiers through, as far as is known."""
        return self._ranges_work is not False

    @property
    def obeys_filter(self) -> bool:
        """Whether a receive filter has the effect it should, as far as is known."""
        return self.can.get(FILTER_IN_FORCE) is not False

    def apply(self, route: Route, timing: Commands = USUAL_TIMING) -> str:
        """Set the adapter for `route`; return why it cannot, empty when it can.

        Raises
        ------
        LinkError
            The link is gone.
        RestartedError
            The adapter has lost its settings; nothing of what was set holds.
        """
        if why := self._hopeless(route):
            return why
        number = route.protocol.number
        if number != self._number and not self._change_width(number):
            self._refused[number] = (
                f"this adapter cannot change to identifiers of {route.protocol.id_bits} bits"
            )
            return self._hopeless(route)
        if route.receive == LEGISLATED:
            self._hear_engine()
            if route.protocol.number != self._number and not self._select(route.protocol.number):
                return f"this adapter cannot address {route.target}"
        if route.flow == ADAPTERS_OWN:
            self._control_flow(ADAPTERS_OWN)
        if not self._address(route.header):
            if route.target != FUNCTIONAL:
                return f"this adapter cannot address {route.target}"
            self._far.start_anew()  # which brings the default header back
        if route.receive != LEGISLATED and not self._listen_to(route.receive):
            return self._hopeless(route)
        self._control_flow(route.flow)
        self.wait(timing)
        return ""

    def wait(self, timing: Commands) -> None:
        """Set the waiting time where it is another one."""
        if timing != self._timing:
            self._timing = None
            for command in timing:
                self._far.accepts(command)
            self._timing = timing

    def rest(self) -> None:
        """Leave the adapter as any other program expects it: hearing the engine.

        Raises
        ------
        LinkError, RestartedError
            As `apply`.
        """
        if not self.at_rest:
            self.apply(Route(FUNCTIONAL, self._base, header_commands(self._base, FUNCTIONAL)))
        if self._stored not in (None, self._wanted_stored):
            self._far.accepts(f"ATSP{self._wanted_stored}")

    def _hopeless(self, route: Route) -> str:
        """Return why `route` was found to be out of reach before."""
        if why := self._refused.get(route.protocol.number):
            return why
        if route.receive == SEARCH and self._ranges_work is False:
            return (
                "this adapter cannot listen to a range of addresses, and nothing says from where "
                f"{route.target} answers"
            )
        if route.receive != LEGISLATED and self.can.get(RECEIVE_FILTER) is False:
            return (
                "this adapter cannot be told to listen to other modules than those at legislated "
                "addresses"
            )
        return ""

    def _change_width(self, number: str) -> bool:
        """Select the protocol `number`, with filter and flow control at their defaults before."""
        if self._number == self._base.number:
            self._hear_engine()
        self._control_flow(ADAPTERS_OWN)
        if self._select(number):
            return True
        self._select(self._base.number)
        return False

    def _select(self, number: str) -> bool:
        self._number = self._header = None
        for command in (f"ATSP{number}", f"ATTP{number}"):
            if self._accepts(command):
                self._number = number
                if command.startswith("ATSP"):
                    self._stored = number
                return True
        return False

    def _address(self, header: Commands) -> bool:
        if header == self._header:
            return True
        before, self._header = self._header, None
        first, *others = header
        taken = self._accepts(first)
        if not taken:
            self._header = before if taken is False else None
            return False
        for command in others:  # they set what is a default on most adapters
            self._far.accepts(command)
        self._header = header
        return True

    def _listen_to(self, receive: str) -> bool:
        """Return whether the adapter now lets `receive` through."""
        if receive == self._receive:
            return True
        if receive == SEARCH:
            self._ranges_work = self._first_that_works(search_forms()) is not None
            if self._ranges_work:
                self._receive = SEARCH
            return self._ranges_work
        forms = one_source_forms(receive)
        known = self._one_form
        works = self._first_that_works(forms if known is None else forms[known : known + 1])
        if works is None:
            self._lose(RECEIVE_FILTER)
            return False
        self._one_form = known if known is not None else works
        self._receive = receive
        self.can[RECEIVE_FILTER] = True
        return True

    def _first_that_works(self, forms: Sequence[Commands]) -> int | None:
        """Return which of `forms` was accepted; the filter is unknown where one was in part."""
        for index, form in enumerate(forms):
            for command in form:
                if not self._accepts(command):
                    break
                self._receive = None
            else:
                return index
        return None

    def _control_flow(self, identifier: str) -> None:
        """Give flow control to `identifier`, or leave it to the adapter."""
        if identifier == self._flow:
            return
        if identifier == ADAPTERS_OWN:
            if not self._accepts("ATFCSM0"):
                self._far.start_anew()  # with ours it would stop the engine's long replies
            self._flow = ADAPTERS_OWN
            return
        if self.can.get(ANY_FLOW_CONTROL) is False:
            return
        own = self._flow == ADAPTERS_OWN
        if not own:
            self._flow = None
        # The mode needs header and data first.
        works = self._accepts(f"ATFCSH{identifier}")
        if works and not self._flow_data:
            works = self._accepts(f"ATFCSD{FLOW_DATA}")
            self._flow_data = bool(works)
        if works and own:
            works = self._accepts("ATFCSM1")
            self._flow = None if works is None else self._flow
        if works:
            self._flow = identifier
            self.can[ANY_FLOW_CONTROL] = True
            return
        self._lose(ANY_FLOW_CONTROL)
        self._control_flow(ADAPTERS_OWN)

    def _hear_engine(self) -> None:
        """Put the filter back to what lets the engine through, and make sure that it does."""
        if self._receive == LEGISLATED:
            return
        if self._number != self._base.number:
            self._control_flow(ADAPTERS_OWN)
            self._select(self._base.number)
        if self._way_back and self._go(self._way_back):
            self._receive = LEGISLATED
            return
        self.wait(USUAL_TIMING)
        self._address(header_commands(self._base, FUNCTIONAL))
        self._keep_engine_out()
        if self._far.hears_the_car():
            # The filter does not keep the engine out, so nothing proves that it was taken back:
            # the most certain way that the adapter accepts has to do.
            if not lets_engine_through(self._receive):
                self._lose(FILTER_IN_FORCE)
            for way in unproven_forms(self._base):
                if self._go(way):
                    self._way_back = way
                    self._receive = LEGISLATED
                    return
        for way in legislated_forms(self._base):
            self._keep_engine_out()
            if self._go(way) and self._far.hears_the_car():
                self._way_back = way
                self._receive = LEGISLATED
                return
        self._far.start_anew()

    def _keep_engine_out(self) -> None:
        """Let nobody through where the engine may be: being heard again is a proof then."""
        if lets_engine_through(self._receive):
            self._listen_to(NOBODY[self._base.id_bits])

    def _go(self, way: Commands) -> bool:
        if way == (f"ATSP{self._base.number}",):
            self._receive = None
            done = self._select(self._base.number)
            return done and self._address(header_commands(self._base, FUNCTIONAL))
        return self._first_that_works((way,)) is not None

    def _lose(self, ability: str) -> None:
        self.can[ability] = False
        if LOSSES[ability] not in self.losses:
            self.losses.append(LOSSES[ability])

    def _accepts(self, command: str) -> bool | None:
        """Return whether the adapter takes `command`; asked twice, one refusal may be noise.

        False only where both times it clearly did not.
        """
        first = self._far.accepts(command)
        if first or (second := self._far.accepts(command)):
            return True
        return None if None in (first, second) else False
