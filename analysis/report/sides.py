"""Which questions of a case lie before the work and which after, and what either side says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from analysis.compare.codes import was_read
from analysis.compare.model import Document, Key
from analysis.report.scan import Scanned
from obdlog import documents, survey
from obdlog.history import (
    ERASE_SERVICES,
    History,
    bus_of,
    lists_codes,
    lists_permanent_codes,
    lists_stored_codes,
    split_at_erases,
)
from obdlog.model import Exchange, Work

MONITORS = (0x01, 0x01)
TESTS = 0x06
IDENTITY = 0x09

_STILL_WORKING = b"\x78"
"""A module that was asked, and whose answer is still to come (ISO 14229-1, code 78)."""


class Asked(NamedTuple):
    """An exchange with the session that holds it."""

    session: Scanned
    exchange: Exchange


@dataclass(frozen=True, eq=False)
class Part:
    """One side of the work: its sessions, and its questions between one erase and the next."""

    sessions: tuple[Scanned, ...] = ()
    stretches: tuple[tuple[Asked, ...], ...] = field(default=((),))

    @property
    def read(self) -> Asked | None:
        """Return the reading of stored codes that dates this side: the last before an erase."""
        return next(filter(None, (_last_reading(s) for s in self.stretches)), None)


def divide(scanned: Sequence[Scanned]) -> tuple[Part, Part, tuple[str, ...]]:
    """Return what lies before and after the work, and when codes were erased.

    Where codes were erased, that is the line; otherwise the first session with a reading of codes
    is before, and what follows it after.
    """
    asked = [Asked(session, e) for session in scanned for e in session.exchanges]
    split = split_at_erases([exchange for _, exchange in asked])
    if split.after is not None:
        line = scanned.index(asked[split.erases[-1]].session)
        return (
            Part(tuple(scanned[: line + 1]), tuple(tuple(asked[s]) for s in split.before)),
            Part(tuple(scanned[line:]), (tuple(asked[split.after]),)),
            tuple(s.moment(e) for s, e in (asked[place] for place in split.erases)),
        )
    read = [any(map(lists_stored_codes, s.exchanges)) for s in scanned]
    line = read.index(True) + 1 if any(read) else len(scanned)
    first, second = tuple(scanned[:line]), tuple(scanned[line:])
    return (
        Part(first, (tuple(a for a in asked if a.session in first),)),
        Part(second, (tuple(a for a in asked if a.session in second),)),
        (),
    )


def unanswered_erases(scanned: Sequence[Scanned]) -> tuple[str, ...]:
    """Return when erases were sent that no module answered; empty text where it is not known."""
    return tuple(
        session.moment(exchange)
        for session in scanned
        for exchange in session.exchanges
        if exchange.request.service in ERASE_SERVICES
        and not exchange.positive()
        and all(m.payload[2:3] == _STILL_WORKING for m in exchange.refusals())
    )


def answers(exchange: Exchange, service: int, item: int | None = None) -> bool:
    """Return whether `exchange` is an answered one of a service (and of a PID)."""
    wanted = exchange.request.service == service and bool(exchange.positive())
    return wanted and (item is None or item in exchange.request.payload[1:])


def last_answer(asked: Sequence[Asked], service: int, item: int | None = None) -> Asked | None:
    """Return the last answered exchange of a service (and of a PID)."""
    return next((a for a in reversed(asked) if answers(a.exchange, service, item)), None)


def _last_reading(asked: Sequence[Asked]) -> Asked | None:
    """Return the last reading of stored codes."""
    return next((a for a in reversed(asked) if lists_stored_codes(a.exchange)), None)


def exchanges_of(asked: Iterable[Asked]) -> list[Exchange]:
    """Return the exchanges without their sessions."""
    return [exchange for _, exchange in asked]


def codes_before(part: Part, work: Work) -> dict[str, Any] | None:
    """Return the codes of the side before the work, every code that was there at any time.

    The last reading before the first erase counts; what it does not show is added from earlier
    readings and from those between erases.
    """
    found: list[dict[str, Any]] = []
    for number, stretch in enumerate(part.stretches):
        history = History(frozenset(code_texts(found)), number > 0)
        pieces = [stretch, *_by_session(stretch)]
        found += filter(None, (_codes(piece, work, history) for piece in pieces))
    return _merged(found) if found else None


def codes_after(
    part: Part, work: Work, earlier: Document | None, *, erased: bool
) -> dict[str, Any] | None:
    """Return the codes of the side after the work, or of a part that is looked at alone."""
    history = History(frozenset(code_texts([earlier] if earlier else [])), erased)
    return _codes(part.stretches[-1], work, history)


def permanent_read(part: Part) -> frozenset[str]:
    """Return the addresses of the modules that gave their permanent codes on the later side."""
    return frozenset(
        message.source
        for _, exchange in part.stretches[-1]
        if lists_permanent_codes(exchange)
        for message in exchange.positive()
    )


def seen_earlier(part: Part) -> dict[Key, frozenset[str]]:
    """Return the codes that any reading of the later side showed, with all their statuses."""
    exchanges = exchanges_of(part.stretches[-1])
    bus = bus_of(exchanges)
    seen: dict[Key, frozenset[str]] = {}
    # One by one: of several readings a survey takes the last, here each of them counts.
    for exchange in exchanges:
        if lists_codes(exchange):
            for module in survey.survey_codes([exchange], bus):
                for code in module.codes:
                    key = module.address, code.code, code.failure_type
                    seen[key] = seen.get(key, frozenset()) | frozenset(code.status)
    return seen


def _codes(asked: Sequence[Asked], work: Work, history: History) -> dict[str, Any] | None:
    read = _last_reading(asked)
    if read is None:
        return None
    exchanges = exchanges_of(asked)
    return documents.codes_document(
        exchanges,
        bus_of(exchanges),
        work=work,
        voltage_v=read.session.voltage_v,
        protocol=read.session.header.protocol,
        read_at=read.session.moment(read.exchange),
        history=history,
    )


def _by_session(asked: Sequence[Asked]) -> Iterator[list[Asked]]:
    sessions = list(dict.fromkeys(a.session for a in asked))
    if len(sessions) > 1:
        for session in sessions:
            yield [a for a in asked if a.session is session]


def code_texts(found: Iterable[Document]) -> Iterator[str]:
    """Yield the code texts of code documents."""
    for document in found:
        for module in document["modules"]:
            yield from (str(code["code"]) for code in module["codes"])


def _merged(found: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the first document with the modules, codes and freeze frames only others show."""
    modules: dict[str, dict[str, Any]] = {}
    for module in (module for document in found for module in document["modules"]):
        held = modules.get(module["address"])
        if held is None:
            modules[module["address"]] = dict(module)
            continue
        told = module if was_read(module) and not was_read(held) else held
        codes = {(c["code"], c["failure_type"]): c for c in (*module["codes"], *held["codes"])}
        order = dict.fromkeys((c["code"], c["failure_type"]) for c in held["codes"])
        frames = {f["code"]: f for f in (*module["freeze_frames"], *held["freeze_frames"])}
        modules[module["address"]] = {
            **told,
            "codes": [codes[key] for key in (*order, *(k for k in codes if k not in order))],
            "freeze_frames": list(frames.values()),
        }
    return {**found[0], "modules": [modules[address] for address in sorted(modules)]}


def readiness_of(part: Part) -> dict[str, Any] | None:
    """Return the monitors of a side, of the first stretch in which they were read."""
    for stretch in part.stretches:
        if last_answer(stretch, *MONITORS) is not None:
            exchanges = exchanges_of(stretch)
            return documents.readiness_document(exchanges, bus_of(exchanges))
    return None


def tests_of(part: Part) -> dict[str, Any] | None:
    """Return the on-board test results of a side, of the first stretch that has any."""
    for stretch in part.stretches:
        if last_answer(stretch, TESTS) is not None:
            exchanges = exchanges_of(stretch)
            return documents.tests_document(exchanges, bus_of(exchanges))
    return None


def vehicle_of(scanned: Sequence[Scanned]) -> dict[str, Any] | None:
    """Return what the car says of itself in any session, None where it was not asked."""
    asked = [Asked(session, e) for session in scanned for e in session.exchanges]
    first = next((a for a in asked if answers(a.exchange, IDENTITY)), None)
    if first is None:
        return None
    exchanges = exchanges_of(asked)
    return documents.vehicle_document(exchanges, bus_of(exchanges), first.session.header.protocol)
