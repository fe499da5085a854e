"""The records of a session file, one `msgspec.Struct` for each ``kind``.

The rules that keep old files readable: a new field is optional, a new kind is ignored by old
readers, and neither name nor meaning of a field ever changes. ``docs/session-format.md`` is the
description for people.
"""

from __future__ import annotations

from typing import Annotated, Any

import msgspec

from obdlog.model import (
    FUNCTIONAL,
    UNKNOWN_SOURCE,
    EcuMessage,
    Exchange,
    Outcome,
    Request,
    WireChunk,
    Work,
)

VERSION = 1
LONGEST_SESSION_S = 1e9
"""Times beyond this (31 years) are nonsense, not a long drive."""

Seconds = Annotated[float, msgspec.Meta(ge=0, le=LONGEST_SESSION_S)]
Scalar = float | int | str | bool | None


class Got(msgspec.Struct, array_like=True, gc=False):
    """One message of one ECU: ``[source, payload, seconds after the request]``."""

    source: str
    payload: str
    after: Seconds = 0.0


class SessionHeader(msgspec.Struct, tag_field="kind", tag="session", omit_defaults=True):
    """The first line; `started` is UTC in ISO 8601, `vehicle` the facts that are known.

    `origin` says where imported readings came from, and on which terms.
    """

    version: int
    started: str = ""
    software: str = ""
    link: str = ""
    transport: str = ""
    protocol: str = ""
    vehicle: dict[str, Any] = {}
    work: Work = msgspec.field(default_factory=Work)
    tables: str = ""
    origin: str = ""


class ExchangeRecord(
    msgspec.Struct, tag_field="kind", tag="exchange", omit_defaults=True, gc=False
):
    """A request and what every ECU answered; payloads are upper-case hexadecimal."""

    at: Seconds
    ask: str
    to: str = FUNCTIONAL
    got: list[Got] = []
    outcome: str = Outcome.ANSWERED.value
    purpose: str = ""
    note: str = ""


class AdapterRecord(msgspec.Struct, tag_field="kind", tag="adapter", omit_defaults=True):
    """What was learned about the adapter: its supply voltage [V], claim or abilities."""

    at: Seconds
    voltage: float | None = None
    identity: str = ""
    capability: dict[str, Any] = {}


class MarkRecord(msgspec.Struct, tag_field="kind", tag="mark", omit_defaults=True):
    """Something the user noted."""

    at: Seconds
    text: str = ""


class GapRecord(msgspec.Struct, tag_field="kind", tag="gap", omit_defaults=True):
    """A stretch in which nothing could be recorded, and why."""

    at: Seconds
    until: Seconds
    cause: str = ""


class WireRecord(msgspec.Struct, tag_field="kind", tag="wire", omit_defaults=True):
    """Text that crossed the link: `dir` is ``>`` (sent) or ``<`` (received), `raw` latin-1."""

    at: Seconds
    dir: str
    raw: str = ""


class ReadingRecord(msgspec.Struct, tag_field="kind", tag="reading", omit_defaults=True):
    """A value that came without raw bytes, from an imported file."""

    at: Seconds
    signal: str
    value: Scalar = None
    unit: str = ""
    source: str = UNKNOWN_SOURCE


class EndRecord(msgspec.Struct, tag_field="kind", tag="end", omit_defaults=True):
    """The last line of a session that was closed in order."""

    at: Seconds
    reason: str = ""
    counts: dict[str, int] = {}


Record = (
    SessionHeader
    | ExchangeRecord
    | AdapterRecord
    | MarkRecord
    | GapRecord
    | WireRecord
    | ReadingRecord
    | EndRecord
)

KINDS = frozenset({"session", "exchange", "adapter", "mark", "gap", "wire", "reading", "end"})


def record_from_exchange(exchange: Exchange, origin_s: float) -> ExchangeRecord:
    """Return the record of `exchange`, its time counted from `origin_s` [s]."""
    return ExchangeRecord(
        at=relative_s(exchange.at_s, origin_s),
        ask=exchange.request.payload.hex().upper(),
        to=exchange.request.target,
        got=[
            Got(m.source, m.payload.hex().upper(), round(max(0.0, m.after_s), 6))
            for m in exchange.messages
        ],
        outcome=exchange.outcome.value,
        purpose=exchange.request.purpose,
        note=exchange.note,
    )


def exchange_from_record(record: ExchangeRecord) -> Exchange:
    """Return the exchange that `record` describes.

    An outcome of a newer release counts as answered when messages are there, else as no data.

    Raises
    ------
    ValueError
        The payloads are not hexadecimal, the request is empty, or an address is no address.
    """
    messages = tuple(
        EcuMessage(_address(got.source), bytes.fromhex(got.payload), got.after)
        for got in record.got
    )
    try:
        outcome = Outcome(record.outcome)
    except ValueError:
        outcome = Outcome.ANSWERED if messages else Outcome.NO_DATA
    request = Request(
        bytes.fromhex(record.ask),
        target=record.to if record.to == FUNCTIONAL else _address(record.to),
        purpose=printable(record.purpose),
    )
    return Exchange(record.at, request, messages, outcome, note=printable(record.note))


def record_from_wire(chunk: WireChunk, origin_s: float) -> WireRecord:
    """Return the record of `chunk`, its time counted from `origin_s` [s]."""
    return WireRecord(
        at=relative_s(chunk.at_s, origin_s), dir=chunk.direction, raw=chunk.raw.decode("latin-1")
    )


def relative_s(at_s: float, origin_s: float) -> float:
    """Return `at_s` counted from `origin_s`, in whole microseconds and never negative [s]."""
    return max(0.0, round(at_s - origin_s, 6))


def printable(text: str, longest: int = 2000) -> str:
    """Return `text` without what a terminal would obey, and no longer than `longest`.

    White space of any kind becomes a space; control characters and the marks that turn the
    direction of writing become U+FFFD.
    """
    if text.isascii() and text.isprintable() and len(text) <= longest:
        return text
    return "".join(
        c if c.isprintable() else " " if c.isspace() else "\N{REPLACEMENT CHARACTER}"
        for c in text[:longest]
    )


def _address(text: str) -> str:
    """Return `text` in upper case when it is an address of two to eight hexadecimal digits."""
    if text == UNKNOWN_SOURCE:
        return text
    if not 2 <= len(text) <= 8 or not all(c in "0123456789abcdefABCDEF" for c in text):
        raise ValueError("an address is two to eight hexadecimal digits")
    return text.upper()
