"""What a trouble code says: who defines it, which system, which circuit, which kind of fault."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from obdlog.codes.data import code_row

_CODE = re.compile(r"([PCBU][0-3][0-9A-F]{3})(?:[-:]?([0-9A-F]{2}))?")


class Definer(StrEnum):
    """Who says what a code means."""

    STANDARD = "standard"
    MAKER = "maker"
    RESERVED = "reserved"


_P_FAMILIES = (
    ("P00", "fuel and air metering, auxiliary emission controls"),
    ("P01", "fuel and air metering"),
    ("P02", "fuel injection and air metering"),
    ("P03", "ignition and misfire"),
    ("P04", "auxiliary emission controls"),
    ("P05", "speed, idle and auxiliary inputs"),
    ("P06", "engine module and its outputs"),
    ("P07", "transmission"),
    ("P08", "transmission"),
    ("P09", "transmission"),
    ("P0A", "hybrid and electric drive"),
    ("P0B", "hybrid and electric drive"),
    ("P0C", "hybrid and electric drive"),
    ("P20", "fuel, air and exhaust treatment"),
    ("P21", "fuel and air metering"),
    ("P22", "fuel and air metering"),
    ("P23", "ignition and misfire"),
    ("P24", "auxiliary emission controls"),
    ("P25", "auxiliary inputs"),
    ("P26", "engine module and its outputs"),
    ("P27", "transmission"),
    ("P29", "transmission"),
    ("P2A", "fuel and air metering"),
    ("P34", "cylinder deactivation"),
    ("U00", "network wiring"),
    ("U01", "communication between modules"),
    ("U02", "communication between modules"),
    ("U03", "module software"),
    ("U04", "data from other modules"),
)
_LETTER_FAMILIES = {"P": "powertrain", "C": "chassis", "B": "body", "U": "network"}


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """What one code says.

    `component` and `fault` are ids of the tables, "" where this edition does not explain the
    code; `place` is bank, cylinder or sensor. `standard` is false for codes of the maker and
    reserved ones.
    """

    code: str
    meaning: str
    family: str
    component: str
    fault: str
    standard: bool
    place: str = ""
    definer: Definer = Definer.STANDARD


def split_code(text: str) -> tuple[str, str | None]:
    """Return code and failure type of ``P0102`` or ``P0562-16``, upper case.

    Raises
    ------
    ValueError
        Not the text of a trouble code.
    """
    match = _CODE.fullmatch(text.strip().upper())
    if match is None:
        shown = "".join(c if c.isprintable() else "?" for c in text[:20])
        raise ValueError(f"{shown!r} is not a trouble code such as P0102")
    return match[1], match[2]


def definer(code: str) -> Definer:
    """Return who defines `code`.

    References
    ----------
    SAE J2012: second character 0 standard, 1 the maker; 2 standard for P and the maker's for C
    and B and U; P3000–P33FF the maker's, P3400–P3FFF standard; C3 and B3 reserved; U3 standard.
    """
    letter, digit = code[0], code[1]
    if digit == "0":
        return Definer.STANDARD
    if digit == "1":
        return Definer.MAKER
    if digit == "2":
        return Definer.STANDARD if letter == "P" else Definer.MAKER
    if letter in "CB":
        return Definer.RESERVED
    if letter == "U":
        return Definer.STANDARD
    return Definer.STANDARD if int(code[2], 16) >= 4 else Definer.MAKER


def describe(code: str) -> CodeMeaning:
    """Return what `code` says; honest where this edition, or the standard, says nothing.

    Raises
    ------
    ValueError
        Not the text of a trouble code.
    """
    text, _ = split_code(code)
    who = definer(text)
    system = _LETTER_FAMILIES[text[0]]
    detail = next((name for prefix, name in _P_FAMILIES if text.startswith(prefix)), "")
    family = f"{system}: {detail}" if detail and who is Definer.STANDARD else system
    if who is Definer.MAKER:
        said = f"defined by the vehicle's maker ({family}); its meaning needs the maker's documents"
        return CodeMeaning(text, said, family, "", "", False, definer=who)
    if who is Definer.RESERVED:
        said = "in a range that the standard reserves; only the maker can say what it means"
        return CodeMeaning(text, said, family, "", "", False, definer=who)
    row = code_row(text)
    if row is None:
        said = f"a standardised code ({family}) that this edition does not explain"
        return CodeMeaning(text, said, family, "", "", True)
    place = f", {row.place}" if row.place else ""
    said = f"{row.component.label}{place}: {row.fault.phrase}"
    return CodeMeaning(text, said, family, row.component.id, row.fault.id, True, row.place)
