"""How an adapter must be set to ask one module, and the commands that set it, pure.

A module that no standard gives an address takes three settings: the header, a receive filter that
lets its answers through, and a flow control that is addressed to it. Commands and their order are
common practice, from memory; addresses follow ISO 15765-4, flow control ISO 15765-2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from obdlog.adapter.protocols import (
    OTHER_WIDTH,
    PROTOCOLS,
    TESTER_ADDRESS,
    header_commands,
    response_address,
)
from obdlog.model import FUNCTIONAL, UNKNOWN_SOURCE, Bus, Request
from obdlog.modules import usual_response
from obdlog.transport.base import BusProtocol

LEGISLATED = "legislated"
"""Receive setting: the adapter's own, which lets the legislated modules through."""
SEARCH = "700-7FF"
"""Receive setting: whatever answers from this range."""

SEARCHED = range(0x700, 0x800)
NOBODY = {11: "7FF", 29: "18DAF1FF"}
"""Identifiers that no legislated module answers from."""

RECEIVE_FILTER = "receive filter"
FILTER_IN_FORCE = "receive filter in force"
ANY_FLOW_CONTROL = "flow control of any module"
LOSSES = {
    RECEIVE_FILTER: "The adapter cannot be told whom to listen to: only modules at legislated "
    "addresses can be read.",
    FILTER_IN_FORCE: "The adapter takes a receive filter and hears the engine all the same: "
    "whether it hears modules at other addresses than the legislated ones is not known.",
    ANY_FLOW_CONTROL: "The adapter cannot give flow control to modules beyond the legislated ones: "
    "of their replies only those of up to seven bytes come whole.",
}
"""What the loss of each ability means; both are found out when they are first needed."""

FLOW_DATA = "300000"
"""Flow control: go on, without a pause and to the end (ISO 15765-2)."""

TICK_S = 0.004
USUAL_TIMING = ("ATST32", "ATAT1")
# An erase may take a module seconds: the adapter waits its longest, and does not shorten that.
PATIENT_TIMING = ("ATAT0", "ATSTFF")

Commands = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Route:
    """What the adapter must be set to for one request.

    Parameters
    ----------
    protocol
        The protocol whose identifiers are as wide as the target.
    header
        The commands that address the target, the indispensable one first.
    receive
        `LEGISLATED`, `SEARCH`, or the one identifier to let through.
    flow
        Identifier for our own flow control, empty for the adapter's own.
    source
        Whose answers count; empty for all that `receive` lets through.
    """

    target: str
    protocol: BusProtocol
    header: Commands
    receive: str = LEGISLATED
    flow: str = ""
    source: str = ""

    @property
    def searching(self) -> bool:
        """Whether any module of the searched range may answer."""
        return self.receive == SEARCH

    def accepts(self, source: str) -> bool:
        """Return whether answers from `source` count; those without one always do."""
        if source == UNKNOWN_SOURCE:
            return True
        if self.searching:
            return len(source) == 3 and int(source, 16) in SEARCHED
        return source == self.source if self.source else True

    def narrowed(self) -> Route | None:
        """Return a search that listens to the usual answer address only, None without one."""
        usual = usual_response(self.target)
        return replace(self, receive=usual, source=usual) if usual else None


def route_to(protocol: BusProtocol, request: Request) -> Route:
    """Return the settings for `request` on a car with `protocol`.

    Raises
    ------
    ValueError
        The target fits neither this protocol nor the one with the other identifier width, or
        needs its answer address with it.
    """
    target = request.target.upper() if request.target != FUNCTIONAL else FUNCTIONAL
    if target == FUNCTIONAL:
        return Route(FUNCTIONAL, protocol, header_commands(protocol, FUNCTIONAL))
    if protocol.bus is not Bus.CAN:
        header = header_commands(protocol, target)
        source = request.reply_from or response_address(protocol, target) or ""
        return Route(target, protocol, header, source=source.upper())
    if len(target) == (8 if protocol.id_bits == 11 else 3):
        protocol = PROTOCOLS[OTHER_WIDTH[protocol.number]]
    header = header_commands(protocol, target)
    standard = response_address(protocol, target)
    if protocol.id_bits == 29:
        target = f"{header[1].removeprefix('ATCP')}{header[0].removeprefix('ATSH')}"
        if not (target.startswith("18DA") and target.endswith(TESTER_ADDRESS)):
            standard = None
    source = (request.reply_from or standard or "").upper()
    if source and source == standard:
        return Route(target, protocol, header, source=source)
    if source:
        header_commands(protocol, source)  # as wide as the target, and an identifier at all
        if len(source) != len(target):
            raise ValueError(f"{source} is no answer address for {target}")
        return Route(target, protocol, header, source, target, source)
    if protocol.id_bits == 29:
        raise ValueError(f"no standard gives the address that {target} answers from; name it")
    return Route(target, protocol, header, SEARCH)


def engine_route(protocol: BusProtocol) -> Route:
    """Return the settings that ask the engine's module as if no standard named its address."""
    if protocol.id_bits == 11:
        return Route("7E0", protocol, header_commands(protocol, "7E0"), "7E8", "7E0", "7E8")
    header = header_commands(protocol, "18DA10F1")
    return Route("18DA10F1", protocol, header, "18DAF110", "18DA10F1", "18DAF110")


def brief_timing(wait_s: float) -> Commands:
    """Return the commands that let the adapter wait `wait_s` [s] for each answer, and no less."""
    ticks = min(0xFF, max(1, math.ceil(round(wait_s / TICK_S, 6))))
    return ("ATAT0", f"ATST{ticks:02X}")


def one_source_forms(source: str) -> tuple[Commands, ...]:
    """Return the ways to let only `source` through, the usual one first."""
    mask = "7FF" if len(source) == 3 else "1FFFFFFF"
    return ((f"ATCRA{source}",), (f"ATCF{source}", f"ATCM{mask}"))


def search_forms() -> tuple[Commands, ...]:
    """Return the ways to let 700–7FF through."""
    return (("ATCF700", "ATCM700"), ("ATCRA7XX",))


def legislated_forms(protocol: BusProtocol) -> tuple[Commands, ...]:
    """Return the ways back to the default filter (7E8–7EF, 18DAF1xx), short of starting anew."""
    explicit = (
        ("ATCF7E8", "ATCM7F8") if protocol.id_bits == 11 else ("ATCF18DAF100", "ATCM1FFFFF00")
    )
    return (("ATCRA",), ("ATAR",), explicit, (f"ATSP{protocol.number}",))


def unproven_forms(protocol: BusProtocol) -> tuple[Commands, ...]:
    """Return the ways back, the most explicit first, where none can be proven to work."""
    plain, automatic, explicit, _ = legislated_forms(protocol)
    return (explicit, plain, automatic)


def lets_engine_through(receive: str | None) -> bool:
    """Return whether legislated modules are heard, or may be, with this receive setting."""
    return receive in (None, LEGISLATED, SEARCH) or receive.startswith(("7E", "18DAF1"))
