"""Which questions of a case lie before the work and which after, and what either side says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from analysis.compare.codes import present_codes, was_read
from analysis.compare.model import Document, Key
from analysis.report.scan import Scanned
from obdlog import documents, survey
from obdlog.history import (
    History,
    bus_of,
    lists_codes,
    lists_permanent_codes,
    lists_stored_codes,
    split_at_erases,
)
from obdlog.model import SEARCH, Exchange, Work
from obdlog.modules import Module
from obdlog.services.registry import ERASE_SERVICES

MONITORS = (0x01, 0x01)
TESTS = 0x06
IDENTITY, BY_IDENTIFIER, OLDER_IDENTITY = 0x09, 0x22, 0x1A
"""Services that say who a module is (SAE J1979, ISO 14229-1, ISO 14230-3)."""

_OF_MODULES = 0xF1
"""First byte of the identifiers about the module itself (ISO 14229-1)."""

Names = Mapping[str, Module]
"""What the case's module map knows, by response address."""


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
            tuple(_erase_times(asked, split.erases)),
        )
    read = [any(map(lists_stored_codes, s.exchanges)) for s in scanned]
    line = read.index(True) + 1 if any(read) else len(scanned)
    first, second = tuple(scanned[:line]), tuple(scanned[line:])
    return (
        Part(first, (tuple(a for a in asked if a.session in first),)),
        Part(second, (tuple(a for a in asked if a.session in second),)),
        (),
    )


def _erase_times(asked: Sequence[Asked], erases: Sequence[int]) -> Iterator[str]:
    """Yield when codes were erased; modules erased one by one in a row are one erase."""
    last: int | None = None
    for place in erases:
        session, exchange = asked[place]
        between = asked[last + 1 : place] if last is not None else []
        again = last is not None and asked[last].session is session
        if not again or any(lists_codes(a.exchange) for a in between):
            yield session.moment(exchange)
        last = place


def unanswered_erases(scanned: Sequence[Scanned]) -> tuple[str, ...]:
    """Return when erases were sent that no module answered; empty text where it is not known."""
    return tuple(
        session.moment(exchange)
        for session in scanned
        for exchange in session.exchanges
        if exchange.request.service in ERASE_SERVICES
        and not exchange.positive()
        and all(m.is_pending for m in exchange.refusals())
    )


def answers(exchange: Exchange, service: int, item: int | None = None) -> bool:
    """Return whether `exchange` is an answered one of a service (and of a PID)."""
    wanted = exchange.request.service == service and bool(exchange.positive())
    return wanted and (item is None or item in exchange.request.payload[1:])


def identifies(exchange: Exchange) -> bool:
    """Return whether `exchange` holds what a module says of itself."""
    service, item = exchange.request.service, exchange.request.payload[1:2]
    known = service in (IDENTITY, OLDER_IDENTITY)
    known = known or (service == BY_IDENTIFIER and item == bytes([_OF_MODULES]))
    return known and bool(exchange.positive())


def last_answer(asked: Sequence[Asked], service: int, item: int | None = None) -> Asked | None:
    """Return the last answered exchange of a service (and of a PID)."""
    return next((a for a in reversed(asked) if answers(a.exchange, service, item)), None)


def _last_reading(asked: Sequence[Asked]) -> Asked | None:
    """Return the last reading of stored codes; of single modules where nothing else was read."""
    for lists in (lists_stored_codes, lists_codes):
        found = (a for a in reversed(asked) if lists(a.exchange) and a.exchange.positive())
        if reading := next(found, None):
            return reading
    return None


def exchanges_of(asked: Iterable[Asked]) -> list[Exchange]:
    """Return the exchanges without their sessions."""
    return [exchange for _, exchange in asked]


def codes_before(part: Part, work: Work, names: Names | None = None) -> dict[str, Any] | None:
    """Return the codes of the side before the work, every code that was there at any time.

    The last reading before the first erase counts; what it does not show is added from earlier
    readings and from those between erases.
    """
    found: list[dict[str, Any]] = []
    for number, stretch in enumerate(part.stretches):
        history = History(frozenset(code_texts(found)), number > 0)
        pieces = [stretch, *_by_session(stretch)]
        found += filter(None, (_codes(piece, work, history, names) for piece in pieces))
    return _merged(found) if found else None


def codes_after(
    part: Part,
    work: Work,
    earlier: Document | None,
    *,
    erased: frozenset[str],
    names: Names | None = None,
) -> dict[str, Any] | None:
    """Return the codes of the side after the work, or of a part that is looked at alone.

    Of each module the last session counts in which it listed its codes.

    Parameters
    ----------
    erased
        The modules that accepted an erase between the sides.
    """
    listed: dict[str, frozenset[str]] = dict.fromkeys(erased, frozenset())
    for address, code, _ in present_codes(earlier):
        if address in listed:
            listed[address] |= {code}
    history = History(frozenset().union(*listed.values()), bool(erased), listed)
    return _codes(_latest_lists(part.stretches[-1]), work, history, names)


def _latest_lists(asked: Sequence[Asked]) -> list[Asked]:
    """Return `asked` without what a module listed that it listed again in a later session.

    A later list outdates an earlier one only where it tells the same kinds of codes: what holds
    no permanent codes says nothing of them.
    """
    told_later: dict[str, frozenset[str]] = {}
    kept: list[Asked] = []
    for piece in reversed([*_by_session(asked, alone=True)]):
        for session, exchange in reversed(piece):
            if not lists_codes(exchange):
                kept.append(Asked(session, exchange))
                continue
            kinds = survey.code_kinds(exchange.request.payload) or _STORED
            messages = tuple(
                m for m in exchange.messages if not kinds <= told_later.get(m.source, frozenset())
            )
            if messages or not exchange.messages:
                kept.append(Asked(session, replace(exchange, messages=messages)))
        whole = _listing(piece)
        for _, exchange in piece:
            for message in exchange.positive() if lists_codes(exchange) else ():
                if message.source in whole:
                    told = told_later.get(message.source, frozenset())
                    told_later[message.source] = told | survey.code_kinds(exchange.request.payload)
    return kept[::-1]


_STORED = frozenset({"confirmed"})
"""What a list that asks for no kind of its own goes with: stored codes."""


def _listing(asked: Sequence[Asked]) -> set[str]:
    """Return the modules that listed their codes, whole."""
    exchanges = exchanges_of(asked)
    return {
        module.address
        for module in survey.survey_codes(exchanges, bus_of(exchanges))
        if module.answered and not module.error
    }


def own_tests(part: Part) -> dict[Key, bool]:
    """Return what modules said after the work of the test of each code since clearing."""
    exchanges = exchanges_of(part.stretches[-1])
    return {
        (module.address, *code): ran
        for module in survey.survey_codes(exchanges, bus_of(exchanges))
        for code, ran in module.own_tests.items()
    }


def erased_modules(scanned: Sequence[Scanned]) -> frozenset[str]:
    """Return the modules that accepted an erase."""
    return frozenset(
        message.source
        for session in scanned
        for exchange in session.exchanges
        if exchange.request.service in ERASE_SERVICES
        for message in exchange.positive()
    )


def read_after(part: Part, drive: int) -> frozenset[str]:
    """Return the modules that listed their codes in a session after the one numbered `drive`."""
    return frozenset(
        address
        for piece in _by_session(part.stretches[-1], alone=True)
        if part.sessions.index(piece[0].session) > drive
        for address in _listing(piece)
    )


def searched(scanned: Sequence[Scanned]) -> bool:
    """Return whether modules beyond the legislated ones were searched for."""
    return any(e.request.purpose == SEARCH for s in scanned for e in s.exchanges)


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
                for code in (c for c in module.codes if not c.only_for_its_lamp):
                    key = module.address, code.code, code.failure_type
                    seen[key] = seen.get(key, frozenset()) | frozenset(code.status)
    return seen


def _codes(
    asked: Sequence[Asked], work: Work, history: History, names: Names | None
) -> dict[str, Any] | None:
    read = _last_reading(asked)
    if read is None:
        return None
    exchanges = exchanges_of(asked)
    document = documents.codes_document(
        exchanges,
        bus_of(exchanges),
        work=work,
        voltage_v=read.session.voltage_v,
        protocol=read.session.header.protocol,
        read_at=read.session.moment(read.exchange),
        history=history,
        modules=names,
    )
    times = _reading_times(asked)
    for module in document["modules"]:
        module["read_at"] = times.get(module["address"])
    return document


def _reading_times(asked: Sequence[Asked]) -> dict[str, str]:
    """Return when each module last listed its codes."""
    return {
        message.source: session.moment(exchange)
        for session, exchange in asked
        if lists_codes(exchange)
        for message in exchange.positive()
    }


def _by_session(asked: Sequence[Asked], *, alone: bool = False) -> Iterator[list[Asked]]:
    """Yield what each session asked; nothing of a single one, unless `alone`."""
    sessions = list(dict.fromkeys(a.session for a in asked))
    if len(sessions) > 1 or (alone and sessions):
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
        frames = {
            (f["code"], f["failure_type"], f["record"]): f
            for f in (*module["freeze_frames"], *held["freeze_frames"])
        }
        known = {i["identifier"]: i for m in (module, held) for i in m["identification"]}
        modules[module["address"]] = {
            **told,
            "codes": [codes[key] for key in (*order, *(k for k in codes if k not in order))],
            "freeze_frames": list(frames.values()),
            "identification": [known[key] for key in sorted(known)],
            "lamp": held["lamp"] if held["lamp"] is not None else module["lamp"],
            "lamp_source": (held if held["lamp"] is not None else module)["lamp_source"],
        }
    return {**found[0], "modules": [modules[address] for address in sorted(modules)]}


def named(document: dict[str, Any] | None, names: Names) -> dict[str, Any] | None:
    """Return `document` with its modules called as the case's map calls them."""
    for module in (document or {}).get("modules", ()):
        if module["address"] in names:
            module["name"] = names[module["address"]].name
    return document


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


def vehicle_of(scanned: Sequence[Scanned], names: Names | None = None) -> dict[str, Any] | None:
    """Return what the car says of itself in any session, None where it was not asked."""
    asked = [Asked(session, e) for session in scanned for e in session.exchanges]
    first = next((a for a in asked if answers(a.exchange, IDENTITY)), None)
    first = first or next((a for a in asked if identifies(a.exchange)), None)
    if first is None:
        return None
    exchanges = exchanges_of(asked)
    protocol = first.session.header.protocol
    return documents.vehicle_document(exchanges, bus_of(exchanges), protocol, modules=names)
