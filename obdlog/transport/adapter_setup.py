"""Runs the set-up table and finds the car's protocol; what is lost is remembered, not fatal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from obdlog.adapter.commands import Expects
from obdlog.adapter.protocols import PROTOCOLS
from obdlog.adapter.reply import Reply
from obdlog.adapter.setup import (
    AFTER_CONNECT,
    SETUP,
    Step,
    parse_identity,
    parse_protocol_number,
    parse_voltage,
)
from obdlog.adapter.status import STATUS_FACTS, Recovery, Status
from obdlog.errors import (
    AdapterError,
    LinkOpenError,
    LinkTimeoutError,
    NoAnswerError,
    OpenFailure,
)
from obdlog.framing import assemble
from obdlog.framing.hexlines import Shape, guess_shape
from obdlog.model import UNKNOWN_SOURCE, EcuMessage
from obdlog.transport.base import BusProtocol
from obdlog.transport.conversation import Conversation

SEARCH_S = 30.0
SEARCH_TRIES = 3
SUPPORTED_PIDS = bytes.fromhex("0100")
RESTART_COMMANDS = frozenset({"ATZ", "ATWS", "ATD"})
WARM_START = "ATWS"
PROTOCOL_COMMANDS = frozenset({"ATSP0", "ATTP0"})

_BY_SHAPE = {Shape.CAN_11: "6", Shape.CAN_29: "7", Shape.SUM: "3", Shape.CRC: "2"}
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


@dataclass
class Abilities:
    """What the adapter can do, by the words of the set-up table, and what each loss means."""

    can: dict[str, bool] = field(default_factory=dict)
    losses: list[str] = field(default_factory=list)
    identity: str = ""

    def has(self, ability: str) -> bool:
        """Return whether the adapter has `ability`."""
        return self.can.get(ability, False)


def wake_up(talk: Conversation, url: str) -> None:
    """Bring whatever state the adapter is in to a prompt.

    Raises
    ------
    LinkOpenError
        Nothing answers; the device is no adapter, or has no power.
    """
    if not talk.nudge():
        raise LinkOpenError(
            f"nothing that answers like an adapter on {url}",
            reason=OpenFailure.NOT_AN_ADAPTER,
            hint="Check the link, the adapter's power (ignition on) and, on a serial port, its "
            "speed.",
        )


def set_up(
    talk: Conversation,
    url: str,
    *,
    protocol: str = "0",
    restart: bool = True,
    keep_speed: bool = False,
) -> Abilities:
    """Run the set-up table and return what the adapter can do.

    Parameters
    ----------
    protocol
        Number of the protocol to use, ``0`` to search.
    restart
        False leaves out the restart, for an adapter that has just done so by itself.
    keep_speed
        Prefer the restart that keeps the adapter's serial speed, for a link that has one: the
        other would fall back to its default, and the talk would end there.

    Raises
    ------
    LinkOpenError
        A needed step fails: the device is no adapter.
    LinkTimeoutError
        The adapter stopped talking.
    """
    for _ in range(2):
        abilities = _run_table(talk, url, protocol=protocol, restart=restart, keep_speed=keep_speed)
        if abilities is not None:
            return abilities
        restart = False
    raise LinkTimeoutError(
        f"the adapter on {url} restarts again and again",
        hint="Check the supply at the diagnostic connector; the battery may be weak.",
    )


def _run_table(
    talk: Conversation, url: str, *, protocol: str, restart: bool, keep_speed: bool
) -> Abilities | None:
    """Return the abilities, None when the adapter restarted in the middle."""
    abilities = Abilities()
    talk.restarted = False
    for step in SETUP:
        if step.command in RESTART_COMMANDS and not restart:
            continue
        works = False
        commands = [step.command, *step.instead]
        if keep_speed and WARM_START in commands:
            commands.sort(key=lambda command: command != WARM_START)
        for command in commands:
            if command in PROTOCOL_COMMANDS:
                command = command[:-1] + protocol
            reply = talk.ask(command, idle_s=step.wait_s, total_s=2 * step.wait_s)
            if not reply.prompted:
                talk.recover()
            if Status.BANNER in reply.statuses and step.expects is not Expects.BANNER:
                return None
            works = fulfils(reply, step, command)
            if works:
                _note_identity(abilities, reply, step)
                break
        if not works and step.needed:
            raise LinkOpenError(
                f"the device on {url} does not behave like an adapter",
                reason=OpenFailure.NOT_AN_ADAPTER,
                hint=step.meaning_of_failure,
            )
        if step.gives:
            abilities.can[step.gives] = works
        if not works:
            abilities.losses.append(step.meaning_of_failure)
    return None if talk.restarted else abilities


def fulfils(reply: Reply, step: Step, command: str) -> bool:
    """Return whether `reply` is what `step` expects of `command`."""
    if not reply.prompted or Status.UNKNOWN_COMMAND in reply.statuses:
        return False
    text = reply.lines[0] if reply.lines else ""
    match step.expects:
        case Expects.BANNER:
            return bool(text) or (command == "ATD" and Status.OK in reply.statuses)
        case Expects.TEXT:
            return bool(text)
        case Expects.VOLTAGE:
            return parse_voltage(text) is not None
        case Expects.PROTOCOL_NUMBER:
            return parse_protocol_number(text) is not None
        case Expects.OK:
            return Status.OK in reply.statuses


def _note_identity(abilities: Abilities, reply: Reply, step: Step) -> None:
    if step.expects is Expects.BANNER and not abilities.identity:
        identity = parse_identity(reply.lines)
        abilities.identity = identity.text if identity else ""


def find_protocol(
    talk: Conversation, abilities: Abilities, set_up_again: Callable[[], Abilities]
) -> tuple[BusProtocol, Abilities]:
    """Ask the first question, which makes the adapter search, and return the protocol found.

    Returned with it are the abilities: those of `set_up_again` where the adapter restarted in
    the search, and without headers where it took the command for them and prints none.

    Raises
    ------
    NoAnswerError
        No module answered on any protocol.
    AdapterError
        The adapter answers the question as no adapter does, or restarts at each.
    LinkTimeoutError
        The adapter stopped talking.
    """
    status: Status | None = None
    for _ in range(SEARCH_TRIES):
        reply = talk.ask(SUPPORTED_PIDS.hex().upper(), idle_s=SEARCH_S, total_s=SEARCH_S)
        if not reply.prompted:
            talk.recover()
            if Status.OVERFLOW in reply.statuses:
                raise _adapter_at_fault(Status.OVERFLOW)
            raise NoAnswerError(
                f"the adapter found no protocol within {SEARCH_S:.0f} s", hint=_IGNITION
            )
        status = reply.status
        recovery = STATUS_FACTS[status].recovery if status else Recovery.RETRY
        found = assemble(
            reply.lines, None, headers=abilities.has("headers"), request=SUPPORTED_PIDS
        )
        if _answered(found.messages) and recovery is not Recovery.REINITIALISE:
            if abilities.has("headers") and _without_source(found.messages):
                abilities.can["headers"] = False
                abilities.losses += [s.meaning_of_failure for s in SETUP if s.gives == "headers"]
            return _ask_protocol(talk, reply.lines), abilities
        if recovery is Recovery.REINITIALISE or talk.restarted:
            abilities = set_up_again()
        elif recovery not in _WORTH_ASKING_AGAIN:
            break
    if status in _ADAPTER_AT_FAULT:
        raise _adapter_at_fault(status)
    said = STATUS_FACTS[status].meaning if status else "What came was no answer to it."
    raise NoAnswerError(f"the car does not answer. {said}", hint=_IGNITION)


def _adapter_at_fault(status: Status) -> AdapterError:
    return AdapterError(
        f"asked for the car's data, the adapter fails. {STATUS_FACTS[status].meaning}",
        hint="Check its plug and supply; it may be defective, or not an adapter at all.",
    )


def _without_source(messages: Sequence[EcuMessage]) -> bool:
    return all(m.source == UNKNOWN_SOURCE for m in messages)


def _answered(messages: Sequence[EcuMessage]) -> bool:
    service = SUPPORTED_PIDS[0]
    return any(
        m.payload[0] == service + 0x40 or m.payload[:2] == bytes([0x7F, service]) for m in messages
    )


def _ask_protocol(talk: Conversation, lines: Sequence[str]) -> BusProtocol:
    """Return the protocol the adapter names, else the one that the replies look like."""
    for step in AFTER_CONNECT:
        reply = talk.ask(step.command, idle_s=step.wait_s)
        if not reply.prompted:
            talk.recover()
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
