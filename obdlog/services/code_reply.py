"""What a reply with trouble codes holds, and the words for the status of a code."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from obdlog.tables.code_text import code_number, code_text

CONFIRMED, PENDING, PERMANENT = "confirmed", "pending", "permanent"
FAILING_NOW, NOT_TESTED, LAMP_REQUESTED = "failing-now", "not-tested", "lamp-requested"

STATUS_BITS = (
    (0x08, CONFIRMED),
    (0x04, PENDING),
    (0x01, FAILING_NOW),
    (0x02, "failed-this-cycle"),
    (0x20, "failed-since-clear"),
    (0x10, NOT_TESTED),
    (0x40, "not-tested-this-cycle"),
    (0x80, LAMP_REQUESTED),
)
"""Bits of the ISO 14229-1 status byte, the most telling first."""

LAMP_BIT = 0x80

LAMP_ONLY = frozenset({LAMP_REQUESTED, NOT_TESTED, "not-tested-this-cycle"})
"""A code with these alone holds no failure: it is listed because its lamp waits."""


@dataclass(frozen=True, slots=True)
class Code:
    """A trouble code; `failure_type` is the third byte of ISO 14229-1 codes, two hex digits.

    `status_byte` and `severity` are the bytes themselves, None where the reply has none.
    `symptom` is how the test failed, in the words of ISO 14230-3.
    """

    text: str
    failure_type: str | None = None
    status: tuple[str, ...] = ()
    status_byte: int | None = None
    severity: int | None = None
    symptom: str = ""


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """What a module stored with a code under one record number.

    `items` are the data identifiers whose length is known, with their bytes. `rest` is what
    cannot be told apart: how long other data are only the maker defines. `whole` says that every
    byte of the record is accounted for.
    """

    number: int
    items: tuple[tuple[int, bytes], ...] = ()
    rest: bytes = b""
    whole: bool = False

    @property
    def data(self) -> bytes:
        """All bytes behind the head of the record, as they came."""
        return b"".join(n.to_bytes(2, "big") + value for n, value in self.items) + self.rest


@dataclass(frozen=True, slots=True)
class CodeReply:
    """The codes of one reply; `problem` says what in it disagrees with its own count.

    `report` is the kind of report of service 19. `available` are the status bits that the module
    knows at all, `numbering` how it numbers codes, `count` how many it says there are, `group` a
    functional group, `readiness_group` and `record` what reports 56 and 1A are about. `records`
    are those of reports 04 and 06, `data` all bytes behind their code.
    """

    codes: tuple[Code, ...]
    problem: str = ""
    report: int | None = None
    available: int | None = None
    numbering: int | None = None
    count: int | None = None
    group: int | None = None
    readiness_group: int | None = None
    record: int | None = None
    records: tuple[StoredRecord, ...] = ()
    data: bytes = field(default=b"")


def code_from_bytes(two: bytes) -> str:
    """Return the text of a two-byte code: 01 02 is ``P0102``, 80 39 is ``B0039``.

    Raises
    ------
    ValueError
        Not two bytes.

    References
    ----------
    SAE J2012: two letter bits, two digit bits, three hexadecimal digits.
    """
    if len(two) != 2:
        raise ValueError(f"a code has 2 bytes, not {len(two)}")
    return code_text(int.from_bytes(two, "big"))


def code_to_bytes(text: str) -> bytes:
    """Return the two bytes of a code.

    Raises
    ------
    ValueError
        Not a letter P, C, B or U, a digit 0–3 and three hexadecimal digits.
    """
    return code_number(text).to_bytes(2, "big")


def status_names(status: int) -> tuple[str, ...]:
    """Return the names of the set bits of an ISO 14229-1 status byte, the most telling first."""
    return tuple(name for bit, name in STATUS_BITS if status & bit)


def only_for_its_lamp(status: Collection[str]) -> bool:
    """Return whether a code of this status is listed only because its lamp waits.

    So stands a code after an accepted erase whose lamp goes out with a key cycle or a drive.
    """
    return LAMP_REQUESTED in status and LAMP_ONLY.issuperset(status)


def chunks(body: bytes, size: int) -> Iterator[bytes]:
    """Return the whole records of `size` bytes that `body` begins with."""
    return (body[i : i + size] for i in range(0, len(body) - size + 1, size))
