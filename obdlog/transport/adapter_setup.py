"""Runs the set-up table; what an adapter cannot do is remembered, not fatal."""

from __future__ import annotations

from dataclasses import dataclass, field

from obdlog.adapter.commands import Expects
from obdlog.adapter.reply import Reply
from obdlog.adapter.setup import (
    SETUP,
    Step,
    parse_identity,
    parse_protocol_number,
    parse_voltage,
)
from obdlog.adapter.status import Status
from obdlog.errors import LinkOpenError, LinkTimeoutError, OpenFailure
from obdlog.transport.conversation import Conversation

RESTART_COMMANDS = frozenset({"ATZ", "ATWS", "ATD"})
WARM_START = "ATWS"
PROTOCOL_COMMANDS = frozenset({"ATSP0", "ATTP0"})


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
