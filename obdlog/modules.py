"""Modules that can be asked alone: where each listens, where it answers, what it speaks.

References
----------
ISO 15765-4: 7E0–7E7 answer from 7E8–7EF, 18DAxxF1 from 18DAF1xx. That a module with an 11-bit
identifier of the maker's choice answers from one eight higher is common practice and no rule.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from obdlog.addresses import LEGISLATED_RESPONSES, module_name

_ADDRESS = re.compile(r"[0-9A-F]{2}|[0-7][0-9A-F]{2}|[01][0-9A-F]{7}")
_FIXED_REQUEST = re.compile(r"18DA([0-9A-F]{2})F1")
_FIXED_RESPONSE = re.compile(r"18DAF1([0-9A-F]{2})")
_FUNCTIONAL = re.compile(r"7DF|[01][0-9A-F]DB[0-9A-F]{4}")
_OFFSET = 8
_DIAGNOSTIC = range(0x700, 0x800)
"""11-bit identifiers of diagnosis: common practice, no source, 7DF to 7EF by ISO 15765-4. What
lies below carries the running functions of a vehicle."""


class Language(StrEnum):
    """The standard whose services a module speaks beside the legislated ones."""

    ISO_14229 = "iso-14229"
    ISO_14230 = "iso-14230"


class System(StrEnum):
    """What a module looks after, as far as cautions go; empty where it is not known."""

    RESTRAINTS = "restraints"
    BRAKES = "brakes"
    STEERING = "steering"
    HIGH_VOLTAGE = "high-voltage"
    POWERTRAIN = "powertrain"
    BODY = "body"
    NETWORK = "network"
    OTHER = ""


@dataclass(frozen=True, slots=True)
class Module:
    """One module: `request` is the address it listens to, `response` the one it answers from.

    `name` is the user's or a neutral one (the address). `language` is None while unknown.
    """

    request: str
    response: str
    name: str
    language: Language | None = None
    system: System = System.OTHER

    @property
    def addresses(self) -> str:
        """Both addresses for a sentence."""
        both = self.request != self.response
        return f"{self.request}/{self.response}" if both else self.request


def module_at(request: str, response: str) -> Module:
    """Return the module at these addresses, with a neutral name."""
    return Module(request, response, module_name(response))


def is_address(text: str) -> bool:
    """Return whether `text` is a CAN identifier (11 or 29 bit) or an address of an older bus."""
    return _ADDRESS.fullmatch(text) is not None


def reaches_all(address: str) -> bool:
    """Return whether what is sent to `address` reaches every module that there is.

    References
    ----------
    ISO 15765-4 for 7DF and 18DB33F1; ISO 15765-2 for the form of functional 29-bit identifiers.
    """
    return _FUNCTIONAL.fullmatch(address) is not None


def may_be_asked(address: str) -> bool:
    """Return whether a request may go to `address` where nothing but the address is known.

    A mistyped identifier must not reach what drives the vehicle: 11-bit identifiers 700–7FF and
    normal fixed 29-bit ones, never an answer's; on the older buses every address is a module's.
    """
    if is_response(address) or reaches_all(address):
        return False
    if len(address) == 3:
        return int(address, 16) in _DIAGNOSTIC
    return len(address) == 2 or is_normal_fixed(address)


def is_response(address: str) -> bool:
    """Return whether the standard gives `address` to the answers of a module (ISO 15765-4)."""
    return address in LEGISLATED_RESPONSES or _FIXED_RESPONSE.fullmatch(address) is not None


def usual_response(request: str) -> str | None:
    """Return where a module that listens at `request` usually answers, None where nothing says.

    References
    ----------
    ISO 15765-4 for 7E0–7E7 and 18DAxxF1; eight higher for others of 700–7F7 is common practice,
    no source. On the older buses a module has one address.
    """
    if fixed := _FIXED_REQUEST.fullmatch(request):
        return f"18DAF1{fixed[1]}"
    if len(request) == 3 and int(request, 16) in _DIAGNOSTIC[:-_OFFSET]:
        return f"{int(request, 16) + _OFFSET:03X}"
    return request if len(request) == 2 else None


def usual_request(response: str) -> str | None:
    """Return where a module that answers from `response` usually listens; see `usual_response`."""
    if fixed := _FIXED_RESPONSE.fullmatch(response):
        return f"18DA{fixed[1]}F1"
    if len(response) == 3 and int(response, 16) in _DIAGNOSTIC[_OFFSET:]:
        return f"{int(response, 16) - _OFFSET:03X}"
    return response if len(response) == 2 else None


def is_normal_fixed(request: str) -> bool:
    """Return whether `request` is a 29-bit identifier of normal fixed addressing."""
    return _FIXED_REQUEST.fullmatch(request) is not None


def clashing(module: Module, others: Iterable[Module]) -> Module | None:
    """Return the one of `others` that answers where `module` listens, or the other way round.

    Two senders of one identifier would disturb the bus, so that such a pair cannot be asked.
    """
    for other in others:
        if module.addresses != other.addresses and (
            module.request == other.response or module.response == other.request
        ):
            return other
    return None


def named(modules: Iterable[Module], text: str) -> tuple[Module, ...]:
    """Return those of `modules` that `text` names: request, response, or name in any case."""
    wanted = text.strip().casefold()
    return tuple(
        m
        for m in modules
        if wanted in (m.request.casefold(), m.response.casefold(), m.name.casefold())
    )


def merged(first: Iterable[Module], *others: Iterable[Module]) -> tuple[Module, ...]:
    """Return the modules of all lists, each pair of addresses once, as its first list has it.

    What the first one does not know (language, system) is taken from the others.
    """
    found: dict[tuple[str, str], Module] = {}
    for module in (m for modules in (first, *others) for m in modules):
        key = (module.request, module.response)
        held = found.get(key, module)
        neutral = held.name == module_name(held.response)
        found[key] = Module(
            *key,
            module.name if neutral else held.name,
            held.language or module.language,
            held.system or module.system,
        )
    return tuple(found.values())
