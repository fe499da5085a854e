"""How an adapter is set up: a table of commands, and what each one's failure costs.

Run in order. A step that is refused (``?``) or stays silent is tried by its alternatives; only
a needed step that fails altogether ends the attempt, any other costs the ability it gives.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from obdlog.adapter.commands import Expects


@dataclass(frozen=True, slots=True)
class Step:
    """One set-up command.

    Parameters
    ----------
    command
        What to send.
    needed
        Whether there is no going on without it.
    gives
        The ability in a word or two; empty for one that only tidies up.
    meaning_of_failure
        One sentence for the user.
    expects
        The kind of answer.
    instead
        Commands to try, in order, when this one is refused.
    wait_s
        How long the adapter may take [s]; a restart blinks its lamps first.
    """

    command: str
    needed: bool
    gives: str
    meaning_of_failure: str
    expects: Expects = Expects.OK
    instead: tuple[str, ...] = ()
    wait_s: float = 1.0


SETUP: tuple[Step, ...] = (
    Step(
        "ATZ",
        True,
        "known state",
        "The device does not restart on command; it is probably not an adapter.",
        Expects.BANNER,
        ("ATWS", "ATD"),
        wait_s=5.0,
    ),
    Step("ATE0", False, "no echo", "The adapter repeats each command; polling is slower."),
    Step(
        "ATL0", False, "no line feeds", "The adapter sends line feeds; polling is a little slower."
    ),
    Step("ATS0", False, "no spaces", "The adapter puts spaces between bytes; polling is slower."),
    Step(
        "ATH1",
        False,
        "headers",
        "The adapter hides who answered; replies of several modules cannot be told apart.",
    ),
    Step("ATM0", False, "", "The adapter may store the protocol it finds."),
    Step(
        "ATAL",
        False,
        "long messages",
        "The adapter may cut messages of more than seven bytes on the older buses.",
    ),
    Step(
        "ATCAF1",
        False,
        "CAN formatting",
        "The adapter's CAN formatting is not confirmed; its default is taken to be on.",
    ),
    Step(
        "ATAT1",
        False,
        "adaptive timing",
        "The adapter waits its full time after each reply; polling is much slower.",
    ),
    Step(
        "ATST32",
        False,
        "waiting time",
        "The waiting time stays at the adapter's own; slow modules may be missed.",
    ),
    Step("ATI", False, "version", "The adapter does not say what it is.", Expects.BANNER),
    Step("AT@1", False, "description", "The adapter does not describe itself.", Expects.TEXT),
    Step(
        "ATRV",
        False,
        "voltage",
        "The adapter does not measure the supply voltage.",
        Expects.VOLTAGE,
    ),
    Step(
        "ATSP0",
        True,
        "protocol search",
        "The adapter cannot search for the car's protocol.",
        instead=("ATTP0",),
    ),
)
"""From the first byte to the first request."""

AFTER_CONNECT: tuple[Step, ...] = (
    Step(
        "ATDPN",
        False,
        "protocol number",
        "The adapter does not say which protocol it found; it is told from the replies.",
        Expects.PROTOCOL_NUMBER,
    ),
)
"""Once the first request has been answered."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What an adapter claims to be; a claim, not a fact."""

    text: str
    name: str
    version: str


_VOLTAGE = re.compile(r"(\d{1,2}(?:[.,]\d{1,2})?)\s*V?", re.IGNORECASE)
_PROTOCOL = re.compile(r"A?([0-9A-C])", re.IGNORECASE)
_IDENTITY = re.compile(r"([A-Z][A-Z0-9_-]*[0-9][A-Z0-9_-]*)\s+v(\d[0-9A-Za-z.]*)", re.IGNORECASE)
_MAX_IDENTITY_CHARACTERS = 80


def parse_voltage(text: str) -> float | None:
    """Return the supply voltage [V] in the answer to ATRV, None when there is none in it."""
    found = _VOLTAGE.fullmatch(text.strip()) if text.isascii() else None
    return float(found[1].replace(",", ".")) if found else None


def parse_protocol_number(text: str) -> str | None:
    """Return the digit in the answer to ATDPN without the A of an automatic search.

    ``0`` means that none was found yet; None that `text` is no such answer.
    """
    found = _PROTOCOL.fullmatch(text.strip())
    return found[1].upper() if found else None


def parse_identity(lines: Iterable[str]) -> Identity | None:
    """Return what the adapter claims to be, from the answer to ATZ or ATI.

    The line that looks like a version wins; failing that the first line that is there, because
    some adapters answer with a bare name. None when nothing was said.
    """
    said = [line.strip()[:_MAX_IDENTITY_CHARACTERS] for line in lines if line.strip()]
    for line in said:
        found = _IDENTITY.match(line)
        if found:
            return Identity(line, found[1], found[2])
    return Identity(said[0], said[0], "") if said else None
