"""The part of the AT-command dialect that this program speaks, as data.

Purposes and versions are facts of the published ELM327-style command set; from memory, common
practice. A version is the first in which original firmware knew the command; what an adapter
claims to be proves nothing, so the program tries and believes the answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Expects(StrEnum):
    """The kind of answer a command brings when the adapter knows it."""

    OK = "ok"
    BANNER = "banner"
    TEXT = "text"
    VOLTAGE = "voltage"
    PROTOCOL_NUMBER = "protocol-number"


@dataclass(frozen=True, slots=True)
class Command:
    """One command; ``text`` ends with what takes an argument in angle brackets."""

    text: str
    purpose: str
    since: str
    expects: Expects

    @property
    def name(self) -> str:
        """The command without its argument."""
        return self.text.partition("<")[0]


COMMANDS: tuple[Command, ...] = (
    Command("ATZ", "restart the adapter, all settings to their defaults", "1.0", Expects.BANNER),
    Command("ATWS", "restart without the lamp test and keep the baud rate", "1.0", Expects.BANNER),
    Command("ATD", "settings to their defaults", "1.0", Expects.OK),
    Command("ATE0", "echo off", "1.0", Expects.OK),
    Command("ATE1", "echo on", "1.0", Expects.OK),
    Command("ATL0", "line feeds off", "1.0", Expects.OK),
    Command("ATL1", "line feeds on", "1.0", Expects.OK),
    Command("ATS0", "spaces off", "1.3", Expects.OK),
    Command("ATS1", "spaces on", "1.3", Expects.OK),
    Command("ATH0", "headers off", "1.0", Expects.OK),
    Command("ATH1", "headers on", "1.0", Expects.OK),
    Command("ATM0", "do not store the protocol found", "1.0", Expects.OK),
    Command("ATI", "say the version", "1.0", Expects.BANNER),
    Command("AT@1", "say the device description", "1.0", Expects.TEXT),
    Command("ATRV", "measure the supply voltage", "1.0", Expects.VOLTAGE),
    Command("ATDP", "say the protocol in words", "1.0", Expects.TEXT),
    Command("ATDPN", "say the protocol's number", "1.0", Expects.PROTOCOL_NUMBER),
    Command("ATSP<h>", "use protocol h, 0 to search", "1.0", Expects.OK),
    Command("ATTP<h>", "try protocol h, 0 to search, without storing it", "1.0", Expects.OK),
    Command("ATPC", "close the protocol", "1.0", Expects.OK),
    Command("ATSH<header>", "request header", "1.0", Expects.OK),
    Command("ATCP<hh>", "priority bits of a 29-bit identifier", "1.0", Expects.OK),
    Command("ATCRA<id>", "receive only this CAN identifier", "1.3", Expects.OK),
    Command("ATCRA", "receive filter back to the default", "1.4", Expects.OK),
    Command("ATAR", "receive addresses back to automatic", "1.2", Expects.OK),
    Command("ATCF<id>", "receive only CAN identifiers like this one", "1.0", Expects.OK),
    Command("ATCM<mask>", "bits in which they must be alike", "1.0", Expects.OK),
    Command("ATFCSH<id>", "identifier of our own flow control", "1.1", Expects.OK),
    Command("ATFCSD<bytes>", "data of our own flow control", "1.1", Expects.OK),
    Command("ATFCSM<h>", "flow control: 0 the adapter's, 1 our own", "1.1", Expects.OK),
    Command("ATCAF1", "put in and take out the ISO 15765-2 control bytes", "1.0", Expects.OK),
    Command("ATCAF0", "leave the ISO 15765-2 control bytes to the program", "1.0", Expects.OK),
    Command("ATAL", "allow messages of more than seven bytes", "1.0", Expects.OK),
    Command("ATST<hh>", "wait hh times 4 ms for an answer", "1.0", Expects.OK),
    Command("ATAT0", "fixed waiting time", "1.2", Expects.OK),
    Command("ATAT1", "waiting time follows the car", "1.2", Expects.OK),
    Command("ATAT2", "waiting time follows the car closely", "1.2", Expects.OK),
    Command("ATBRD<hh>", "try the baud rate 4 000 000 / hh", "1.2", Expects.OK),
    Command("ATBRT<hh>", "waiting time of a baud rate trial", "1.2", Expects.OK),
)

MAX_REPLIES = 15
MAX_REQUEST_BYTES = 8
MAX_CAN_REQUEST_BYTES = 7
"""What one CAN frame holds beside its length (ISO 15765-2); adapters send no second one."""


def request_text(payload: bytes, replies: int | None = None) -> str:
    """Return the line that sends `payload`; `replies` is the expected-reply digit.

    The digit lets the adapter stop waiting after so many lines.

    Raises
    ------
    ValueError
        An empty or too long payload, or a number of replies that one digit cannot hold.
    """
    if not 1 <= len(payload) <= MAX_REQUEST_BYTES:
        raise ValueError(f"a request has 1 to {MAX_REQUEST_BYTES} bytes, not {len(payload)}")
    text = payload.hex().upper()
    if replies is None:
        return text
    if not 1 <= replies <= MAX_REPLIES:
        raise ValueError(f"the expected-reply digit is 1 to {MAX_REPLIES}, not {replies}")
    return f"{text}{replies:X}"
