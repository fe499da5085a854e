"""Finds the car's protocol through an adapter, and which generation of OBD it speaks.

The first question is that of SAE J1979 (01 00), and a car that answers it is asked no other. A car
after SAE J1979-2 leaves it unanswered, so that an adapter's own search ends without a protocol: it
is asked by service 22 then, on each of the protocols that it may have.

References
----------
SAE J1979-2 runs on ISO 15765-4 only; identifiers F400 and F810 answer in its stead (from public
descriptions, ``docs/obd-on-uds.md``). How an adapter searches is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.adapter.reply import Reply
from obdlog.adapter.setup import AFTER_CONNECT, SETUP, parse_protocol_number
from obdlog.adapter.status import STATUS_FACTS, Recovery, Status
from obdlog.errors import AdapterError, NoAnswerError
from obdlog.framing import assemble
from obdlog.framing.hexlines import Shape, guess_shape
from obdlog.model import NEGATIVE_RESPONSE, UNKNOWN_SOURCE, Bus, EcuMessage, Generation, Request
from obdlog.transport.adapter_setup import Abilities
from obdlog.transport.base import BusProtocol
from obdlog.transport.conversation import Conversation
from obdlog.transport.judge import answers

SEARCH_S = 30.0
SEARCH_TRIES = 3
NEWER_S = 10.0
"""How long one of the later questions may take on a protocol that is given."""
LONGEST_SEARCH_S = 60.0
"""After so long no further question is begun."""

CLASSIC_QUESTION = bytes.fromhex("0100")
NEWER_QUESTIONS = (bytes.fromhex("22F400"), bytes.fromhex("22F810"))

_BY_SHAPE = {Shape.CAN_11: "6", Shape.CAN_29: "7", Shape.SUM: "3", Shape.CRC: "2"}
_CAN_NUMBERS = tuple(n for n, p in PROTOCOLS.items() if p.bus is Bus.CAN)
_WORTH_ASKING_AGAIN = {Recovery.RETRY, Recovery.ASK_LESS, Recovery.DROP_COMMAND}
_ADAPTER_AT_FAULT = {
    Status.OK,
    Status.UNKNOWN_COMMAND,
    Status.ERR_CODE,
    Status.LOW_POWER,
    Status.LV_RESET,
    Status.BANNER,
    Status.OVERFLOW,
}
"""What no car can be the cause of, when it comes in place of data."""

_IGNITION = "Switch the ignition on (engine may be off), check the plug, and try again."

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class FoundCar:
    """`stored` is the protocol number that the adapter was told last."""

    protocol: BusProtocol
    generation: Generation
    abilities: Abilities
    stored: str


class CarSearch:
    """One search; `set_up_again` gives an adapter that restarted its settings back.

    Parameters
    ----------
    wanted
        Number of the protocol that the adapter was set to, ``0`` where it searches.
    """

    def __init__(
        self,
        talk: Conversation,
        abilities: Abilities,
        set_up_again: Callable[[], Abilities],
        *,
        wanted: str = "0",
        progress: Progress = lambda _: None,
    ) -> None:
        self._talk = talk
        self._abilities = abilities
        self._set_up_again = set_up_again
        self._wanted = wanted
        self._stored = wanted
        self._progress = progress
        self._began_s = talk.clock.now_s()

    def find(self) -> FoundCar:
        """Return what was found: first by the classic question, then by the newer ones.

        The abilities are those of `set_up_again` where the adapter restarted, and without headers
        where it took the command for them and prints none.

        Raises
        ------
        NoAnswerError
            No module answered on any protocol; after at most 30 s where the adapter does not
            finish its search, else at most about 95 s.
        AdapterError
            The adapter answers the question as no adapter does, or restarts at each.
        LinkTimeoutError
            The adapter stopped talking.
        """
        reply, messages = self._first()
        if _positive(messages):
            return self._found(reply.lines, Generation.CLASSIC)
        if messages:  # all refused it
            newer = self._newer()
            return self._found(reply.lines, Generation.ON_UDS if newer else Generation.CLASSIC)
        found = self._search_newer(reply)
        if found is None:
            said = STATUS_FACTS[reply.status].meaning if reply.status else _NO_ANSWER
            raise NoAnswerError(f"the car does not answer. {said}", hint=_IGNITION)
        return found

    def _first(self) -> tuple[Reply, tuple[EcuMessage, ...]]:
        """Return the reply to the classic question, and what of it answers."""
        for _ in range(SEARCH_TRIES):
            reply = self._talk.ask(_text(CLASSIC_QUESTION), idle_s=SEARCH_S, total_s=SEARCH_S)
            if not reply.prompted:
                self._talk.recover()
                if Status.OVERFLOW in reply.statuses:
                    raise _adapter_at_fault(Status.OVERFLOW)
                raise NoAnswerError(
                    f"the adapter found no protocol within {SEARCH_S:.0f} s", hint=_IGNITION
                )
            recovery = STATUS_FACTS[reply.status].recovery if reply.status else Recovery.RETRY
            messages = self._messages(reply, CLASSIC_QUESTION)
            if messages and recovery is not Recovery.REINITIALISE:
                if self._abilities.has("headers") and _without_source(messages):
                    self._abilities.can["headers"] = False
                    self._abilities.losses += [
                        s.meaning_of_failure for s in SETUP if s.gives == "headers"
                    ]
                return reply, messages
            if recovery is Recovery.REINITIALISE or self._talk.restarted:
                self._abilities = self._set_up_again()
            elif recovery not in _WORTH_ASKING_AGAIN:
                break
        if reply.status in _ADAPTER_AT_FAULT:
            raise _adapter_at_fault(reply.status)
        return reply, ()

    def _search_newer(self, first: Reply) -> FoundCar | None:
        """Return the car found by the newer questions, None where it answers none either."""
        if self._wanted != "0":
            if self._wanted in _CAN_NUMBERS and (lines := self._newer()):
                return self._found(lines, self._generation())
            return None
        if first.status is Status.NO_DATA and (lines := self._newer()):
            # The bus is there: the adapter stays with the protocol it found, or finds it again.
            return self._found(lines, self._generation())
        for number in _CAN_NUMBERS:
            if not self._time_left() or not self._select(number):
                break
            self._progress(f"asking as after SAE J1979-2, {PROTOCOLS[number].name}")
            if lines := self._newer(number):
                return self._found(lines, self._generation(), number)
        if self._stored != self._wanted:
            self._select(self._wanted)
        return None

    def _newer(self, number: str | None = None) -> tuple[str, ...]:
        """Ask the newer questions; return the lines of a positive answer, none without one.

        `number` is the protocol that was selected for them, to be selected anew after a restart.
        """
        for question in NEWER_QUESTIONS:
            if not self._time_left():
                break
            reply = self._talk.ask(_text(question), idle_s=NEWER_S, total_s=NEWER_S)
            if not reply.prompted:
                self._talk.recover()
                break
            if self._talk.restarted or reply.status in _ADAPTER_AT_FAULT:
                self._abilities = self._set_up_again()
                if number is not None and not self._select(number):
                    break
                continue
            if _positive(self._messages(reply, question)):
                return reply.lines
            if reply.status is not Status.NO_DATA and not reply.lines:
                break  # nobody is there to hear the second one
        return ()

    def _generation(self) -> Generation:
        """Return the generation of a car that answers the newer questions."""
        reply = self._talk.ask(_text(CLASSIC_QUESTION), idle_s=NEWER_S, total_s=NEWER_S)
        if not reply.prompted:
            self._talk.recover()
        classic = _positive(self._messages(reply, CLASSIC_QUESTION))
        return Generation.CLASSIC if classic else Generation.ON_UDS

    def _select(self, number: str) -> bool:
        for command in (f"ATSP{number}", f"ATTP{number}"):
            reply = self._talk.ask(command, idle_s=1.0, total_s=2.0)
            if not reply.prompted:
                self._talk.recover()
            if Status.OK in reply.statuses:
                if command.startswith("ATSP"):
                    self._stored = number
                return True
        return False

    def _time_left(self) -> bool:
        return self._talk.clock.now_s() - self._began_s < LONGEST_SEARCH_S

    def _messages(self, reply: Reply, question: bytes) -> tuple[EcuMessage, ...]:
        headers = self._abilities.has("headers")
        assembled = assemble(reply.lines, None, headers=headers, request=question)
        return tuple(m for m in assembled.messages if answers(m, Request(question)))

    def _found(
        self, lines: Sequence[str], generation: Generation, number: str | None = None
    ) -> FoundCar:
        protocol = PROTOCOLS[number] if number else self._ask_protocol(lines)
        return FoundCar(protocol, generation, self._abilities, self._stored)

    def _ask_protocol(self, lines: Sequence[str]) -> BusProtocol:
        """Return the protocol the adapter names, else the one that the replies look like."""
        for step in AFTER_CONNECT:
            reply = self._talk.ask(step.command, idle_s=step.wait_s)
            if not reply.prompted:
                self._talk.recover()
            number = parse_protocol_number(reply.lines[0]) if reply.lines else None
            shape = guess_shape(lines)
            named = PROTOCOLS.get(number or "")
            if named is not None:
                return named
            if shape is not None:
                guessed = PROTOCOLS[_BY_SHAPE[shape]]
                return replace(guessed, name=f"{guessed.name} (taken from the replies)")
        raise NoAnswerError(
            "the car answers, but its protocol is none of the nine legislated ones",
            hint="This release reads cars by the protocols of SAE J1979 only.",
        )


_NO_ANSWER = "What came was no answer to it."


def _text(question: bytes) -> str:
    return question.hex().upper()


def _positive(messages: Sequence[EcuMessage]) -> bool:
    """Return whether one of `messages`, which answer the question, is no refusal."""
    return any(m.payload[0] != NEGATIVE_RESPONSE for m in messages)


def _without_source(messages: Sequence[EcuMessage]) -> bool:
    return all(m.source == UNKNOWN_SOURCE for m in messages)


def _adapter_at_fault(status: Status) -> AdapterError:
    return AdapterError(
        f"asked for the car's data, the adapter fails. {STATUS_FACTS[status].meaning}",
        hint="Check its plug and supply; it may be defective, or not an adapter at all.",
    )
