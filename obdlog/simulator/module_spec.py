"""Modules beyond the legislated ones as data: the ``[[module]]`` tables of a profile."""

# ruff: noqa: RUF012 (msgspec copies empty defaults)
from __future__ import annotations

import re
from typing import Literal

from obdlog.simulator.parts import Manners, Part

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
_ADDRESS = re.compile(r"[0-7][0-9A-F]{2}|[01][0-9A-F]{7}")
_LARGEST = 4095


class ModuleCode(Part, frozen=True):
    """A code that a module can set, with its status when the simulation begins.

    Parameters
    ----------
    failure_type
        Third byte of the code (ISO 14229-1).
    status
        Status byte as the module's language has it; 0: tested, nothing found.
    symptom
        How the test fails, the low four bits of an ISO 14230-3 status byte.
    present
        Whether the fault is there: then the code comes back whenever its test runs.
    when, after_s
        The test runs so many seconds after the key came on (``key-on``), or as long after that
        or an erase (``always``), or of the running engine, or of driving.
    lamp
        Whether the code lights a lamp, and when an erase puts it out.
    records, snapshot
        Extended data and snapshot: record number (hex) → data (hex); a snapshot's data begin with
        the number of identifiers.
    """

    code: str
    failure_type: int = 0
    status: int = 0
    symptom: int = 0
    present: bool = False
    when: Literal["key-on", "always", "running", "drive"] = "key-on"
    after_s: float = 2.0
    lamp: Literal["none", "at-once", "key-cycle", "drive"] = "none"
    severity: int = 0
    records: dict[str, str] = {}
    snapshot: dict[str, str] = {}

    def __post_init__(self) -> None:
        """Refuse what no module could hold."""
        if not _CODE.fullmatch(self.code):
            raise ValueError(f"{self.code!r} is no code")
        for name in ("failure_type", "status", "symptom", "severity"):
            if not 0 <= getattr(self, name) <= 0xFF:
                raise ValueError(f"{name} of {self.code} is no byte")
        for number, data in (*self.records.items(), *self.snapshot.items()):
            if len(bytes.fromhex(number)) != 1 or not bytes.fromhex(data):
                raise ValueError(f"record {number!r} of {self.code} needs a number and data")


class ModuleSpec(Part, frozen=True):
    """One module: where it listens and answers, what it speaks, who it is, what it stored.

    Parameters
    ----------
    request, response
        Identifiers, three digits (11 bit) or eight (29 bit).
    identification
        Identifiers of service 22 or options of service 1A (hex) → text, or ``hex:`` and bytes.
    availability
        Status bits that the module knows (ISO 14229-1).
    reports
        Kinds of report of service 19 that it knows.
    needs_extended
        Beginnings of requests (hex) that it grants in the extended session only: a service, a
        kind of report, or an identifier.
    sessions
        Sessions that it can be put into.
    many_codes
        So many further codes, numbered through, all history.
    refuses
        Every request is refused with this code, whatever it is.
    silent_to
        Services (hex) that are not answered at all.
    silent_after_erase_s
        The module says nothing so long after an accepted erase [s].
    """

    request: str
    response: str
    name: str
    system: Literal[
        "restraints", "brakes", "steering", "high-voltage", "powertrain", "body", "network", ""
    ] = ""
    language: Literal["iso-14229", "iso-14230"] = "iso-14229"
    latency_ms: float = 10.0
    identification: dict[str, str] = {}
    availability: int = 0xFF
    reports: tuple[int, ...] = (0x01, 0x02, 0x04, 0x06, 0x0A)
    needs_extended: tuple[str, ...] = ()
    sessions: tuple[int, ...] = ()
    code: tuple[ModuleCode, ...] = ()
    many_codes: int = 0
    manners: Manners = Manners()
    refuses: int | None = None
    silent_to: tuple[str, ...] = ()
    silent_after_erase_s: float = 0.0

    def __post_init__(self) -> None:
        """Refuse addresses and identification that cannot be."""
        for address in (self.request, self.response):
            if not _ADDRESS.fullmatch(address):
                raise ValueError(f"{address!r} is no CAN identifier")
        if len(self.request) != len(self.response):
            raise ValueError(f"{self.request} and {self.response} differ in width")
        if not 0 <= self.many_codes <= (_LARGEST - 3) // 4:
            raise ValueError("so many codes do not fit one message")
        if any(not bytes.fromhex(beginning) for beginning in self.needs_extended):
            raise ValueError("an empty beginning stands for every request")
        digits = 2 if self.language == "iso-14230" else 4
        for key, text in self.identification.items():
            if len(key) != digits or not identification_data(text):
                raise ValueError(f"identification {key!r} needs {digits} digits and a text")
            bytes.fromhex(key)

    @property
    def id_bits(self) -> int:
        """Width of its identifiers [bit]."""
        return 11 if len(self.request) == 3 else 29


def identification_data(text: str) -> bytes:
    """Return the bytes that a profile's identification text stands for."""
    if text.startswith("hex:"):
        return bytes.fromhex(text.removeprefix("hex:"))
    return text.encode("ascii")
