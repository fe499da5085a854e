"""Modules that can be asked alone: where each listens, where it answers, what it speaks.

References
----------
ISO 15765-4: 7E0–7E7 answer from 7E8–7EF, 18DAxxF1 from 18DAF1xx. That a module with an 11-bit
identifier of the maker's choice answers from one eight higher is common practice and no rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


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
