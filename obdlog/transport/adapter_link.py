"""A link spoken to through an ELM327-style adapter."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace

from obdlog.adapter.commands import request_text
from obdlog.adapter.protocols import PROTOCOLS, header_commands
from obdlog.adapter.reply import Reply
from obdlog.adapter.setup import parse_voltage
from obdlog.adapter.status import Recovery, Status
from obdlog.errors import LinkError, LinkTimeoutError
from obdlog.links.base import Link
from obdlog.links.url import parse_url
from obdlog.model import FUNCTIONAL, Exchange, Generation, Outcome, Request
from obdlog.services.registry import changes_vehicle
from obdlog.transport.adapter_setup import Abilities, find_protocol, set_up, wake_up
from obdlog.transport.base import BusProtocol
from obdlog.transport.conversation import Conversation
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

# An erase may take a module seconds: the adapter waits its longest, and does not shorten that.
PATIENT_TIMING = ("ATAT0", "ATSTFF")
USUAL_TIMING = ("ATST32", "ATAT1")


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
        When set, harmless requests tell the adapter after how many messages it may stop waiting.
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
        self._talk = Conversation(link)
        self._has_speed = parse_url(link.url).scheme in ("serial", "rfc2217")
        self._wanted_protocol = protocol
        self._target = FUNCTIONAL
        self._closed = False
        self._silences = 0

    @property
    def identity(self) -> str:
        """What the adapter claims to be."""
        return self.abilities.identity

    @property
    def capabilities(self) -> dict[str, bool]:
        """What the adapter can do, by the words of the set-up table."""
        return dict(self.abilities.can)

    def connect(self) -> BusProtocol:
        """Wake the adapter, set it up and find the car's protocol."""
        wake_up(self._talk, self.url)
        self.abilities = set_up(
            self._talk, self.url, protocol=self._wanted_protocol, keep_speed=self._has_speed
        )
        self._target = FUNCTIONAL
        self.protocol = None
        self._silences = 0
        self.protocol, self.abilities = find_protocol(
            self._talk, self.abilities, self._set_up_again
        )
        self._talk.take_wire()
        return self.protocol

    def exchange(self, request: Request) -> Exchange:
        """Send `request` and return all that came of it.

        A harmless request is asked again: after a damaged reply or a restart of the adapter at
        most twice, after "busy" and "response pending" at most three times each. A request that
        changes the vehicle is sent once, whatever happens.

        Raises
        ------
        LinkError
            The link is gone, or the adapter stays silent, or left one request after the other
            unfinished. What was asked now did not go out in the last case.
        ValueError
            Not connected, or a request that this protocol cannot carry.
        """
        if self.protocol is None:
            raise ValueError("connect first")
        if self._silences >= MOST_SILENCES:
            raise LinkTimeoutError(
                f"the adapter on {self.url} takes requests and does not finish its replies",
                hint="Unplug the adapter, wait ten seconds, plug it in and try again.",
            )
        harmless = not changes_vehicle(request.payload)
        text = request_text(request.payload, self.reply_count if harmless else None)
        self._talk.forget_stale()
        if not self._address(request.target):
            note = f"this adapter cannot address {request.target}"
            return Exchange(self.clock.now_s(), request, (), Outcome.NO_DATA, note=note)
        with self._timing(patient=not harmless):
            at_s = self.clock.now_s()
            judged, notes = self._ask(text, request, harmless=harmless)
        return Exchange(
            at_s=at_s,
            request=request,
            messages=judged.messages,
            outcome=judged.outcome,
            wire=self._talk.take_wire(),
            note="; ".join(dict.fromkeys(note for note in notes if note)),
            damaged=judged.damaged,
        )

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
        """Interrupt what the adapter is doing, end its talk with the car, and let go."""
        if self._closed:
            return
        self._closed = True
        self._talk.close("ATPC" if self.protocol is not None else "")

    def _ask(self, text: str, request: Request, *, harmless: bool) -> tuple[Judged, list[str]]:
        """Return what finally came, and notes on what went wrong on the way."""
        started_s = self.clock.now_s()
        deadline_s = started_s + LONGEST_EXCHANGE_S
        repairs = REPAIR_TRIES if harmless else 0
        busy = BUSY_TRIES if harmless else 0
        pending = PENDING_TRIES if harmless else 0
        notes: list[str] = []
        while True:
            total_s = min(TOTAL_S, deadline_s - self.clock.now_s())
            reply = self._talk.ask(text, idle_s=self._idle_s(request), total_s=total_s)
            judged = self._judge(reply, request, started_s)
            notes.append(judged.odd)
            self._silences = 0 if reply.prompted else self._silences + 1
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
                self.abilities = self._set_up_again()
                self._address(request.target)
                if not harmless and judged.outcome is not Outcome.ANSWERED:
                    # It went out, and what became of it is not known.
                    return replace(judged, outcome=Outcome.LOST), notes
            if self.clock.now_s() >= deadline_s:
                return judged, notes
            if repairs and _needs_repair(reply, judged):
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
                return judged, notes

    def _judge(self, reply: Reply, request: Request, started_s: float) -> Judged:
        judged = judge(reply, request, self.protocol, headers=self.abilities.has("headers"))
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

    def _address(self, target: str) -> bool:
        """Return whether the adapter now sends to `target`.

        Raises
        ------
        ValueError
            The target does not fit the protocol.
        """
        if self._talk.restarted:
            self.abilities = self._set_up_again()
        if target == self._target or self.protocol is None:
            return True
        first, *others = header_commands(self.protocol, target)
        if Status.OK not in self._command(first).statuses:
            return False
        self._target = target
        for command in others:
            self._command(command)
        return True

    @contextlib.contextmanager
    def _timing(self, *, patient: bool) -> Iterator[None]:
        if not patient:
            yield
            return
        for command in PATIENT_TIMING:
            self._command(command)
        try:
            yield
        finally:
            # The answer is worth more than the setting: a link lost here is reported by the
            # next exchange.
            with contextlib.suppress(LinkError):
                for command in USUAL_TIMING:
                    self._command(command)

    def _command(self, text: str) -> Reply:
        reply = self._talk.ask(text, idle_s=COMMAND_S)
        if not reply.prompted:
            self._talk.recover()
        restarts = {Status.LV_RESET} if text in SAYS_BANNER else {Status.LV_RESET, Status.BANNER}
        if self.protocol is not None and restarts & set(reply.statuses):
            self.abilities = self._set_up_again()
            reply = self._talk.ask(text, idle_s=COMMAND_S)
        return reply

    def _set_up_again(self) -> Abilities:
        """Give an adapter that has restarted its settings back, with the protocol if known.

        A protocol that was only guessed from the replies may have another bit rate: the adapter
        searches again.
        """
        number = self._wanted_protocol
        if self.protocol is not None and self.protocol in PROTOCOLS.values():
            number = self.protocol.number
        self._talk.quiet()
        abilities = set_up(self._talk, self.url, protocol=number, restart=False)
        self._target = FUNCTIONAL
        return abilities


def _needs_repair(reply: Reply, judged: Judged) -> bool:
    """Return whether asking again may bring a better reply than this one."""
    if not reply.prompted:
        return True
    if judged.recovery in (Recovery.RETRY, Recovery.ASK_LESS, Recovery.REINITIALISE):
        return True
    return judged.outcome is Outcome.GARBLED or judged.recovery is Recovery.DROP_COMMAND
