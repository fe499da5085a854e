"""What of a module's codes was refused or not read, so that nothing looks clean by it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from obdlog.model import FUNCTIONAL, NOT_WHOLE, Bus, Exchange, Outcome
from obdlog.modules import Language
from obdlog.services import older_codes, trouble_reports
from obdlog.services.refusals import NOT_SUPPORTED
from obdlog.survey.answers import CODE_SERVICES, refusal_meaning

_CONFIRMED, _PENDING, _PERMANENT = CODE_SERVICES.values()
_BOTH = frozenset({_CONFIRMED, _PENDING})
_OLDER = frozenset({older_codes.BY_STATUS, older_codes.STATUS_OF, older_codes.CODES})
_MASK_PLACES = {trouble_reports.CODES: 2, trouble_reports.FUNCTIONAL: 3}
_PERMANENT_REPORTS = frozenset({0x15, trouble_reports.PERMANENT})


def code_kinds(request: bytes) -> frozenset[str]:
    """Return which codes a request asks for; nothing where it asks for something else."""
    service = request[0]
    if len(request) == 1 and service in CODE_SERVICES:
        return frozenset({CODE_SERVICES[service]})
    if service in _OLDER:
        return frozenset() if older_codes.asks_for_supported(request) else _BOTH
    if service != trouble_reports.SERVICE or len(request) == 1:
        return frozenset()
    report = request[1]
    if report in _PERMANENT_REPORTS:
        return frozenset({_PERMANENT})
    place = _MASK_PLACES.get(report)
    if place is None or len(request) <= place:
        return frozenset()
    bits = ((trouble_reports.CONFIRMED_MASK, _CONFIRMED), (trouble_reports.PENDING_MASK, _PENDING))
    return frozenset(kind for bit, kind in bits if request[place] & bit)


def unread_of(
    asked: Sequence[Exchange], address: str, bus: Bus, language: Language | None
) -> list[str]:
    """Return what a module refused of its codes, and what it did not answer.

    `asked` are the exchanges whose request reached the module. What one request left open and
    another brought is not missing. A module need not know pending and permanent codes; stored
    ones it must.
    """
    by_request: dict[bytes, list[Exchange]] = {}
    for exchange in asked:
        if code_kinds(exchange.request.payload):
            by_request.setdefault(exchange.request.payload, []).append(exchange)
    read: frozenset[str] = frozenset()
    for request, exchanges in by_request.items():
        if any(m.source == address for e in exchanges for m in e.positive()):
            read |= code_kinds(request)
    open_ = {
        r: e
        for r, e in by_request.items()
        if not code_kinds(r) <= read or (r[0] in CODE_SERVICES and _is_cut(e, address))
    }
    refused = [
        text
        for request, exchanges in open_.items()
        for text in _refusals(request, exchanges, address, bus, language)
    ]
    unanswered = {r: e for r, e in open_.items() if not _refused(e, address)}
    if refused and not read:
        # What was cut, or promised and not given, says more than the refusals of other languages.
        unanswered = {r: e for r, e in unanswered.items() if _began(e, address)}
    silent = (_silence(r, e, read) for r, e in unanswered.items())
    return [*dict.fromkeys(filter(None, silent)), *refused, *_not_asked(by_request, read)]


def _not_asked(requests: Collection[bytes], read: Collection[str]) -> list[str]:
    """Return which codes no status mask asked for: an empty list of the others says nothing."""
    by_mask = bytes([trouble_reports.SERVICE, trouble_reports.CODES])
    if not read or not any(r.startswith(by_mask) for r in requests):
        return []
    asked = frozenset().union(*map(code_kinds, requests))
    missing = {_CONFIRMED: "stored", _PENDING: "pending"}
    return [f"its {name} codes were not asked for" for k, name in missing.items() if k not in asked]


def not_again(
    before: Sequence[Exchange], since: Sequence[Exchange], address: str, *, listed: bool
) -> list[str]:
    """Return what is not known of a module's codes because it erased them in between."""
    if not listed:
        return ["erased in this recording and not read again"]
    read, again = (
        {
            kind
            for e in stretch
            if any(m.source == address for m in e.positive())
            for kind in code_kinds(e.request.payload)
        }
        for stretch in (before, since)
    )
    lost = [kind for kind in CODE_SERVICES.values() if kind in read - again]
    return [f"its {' and '.join(lost)} codes were not read again after the erase"] if lost else []


def _refused(exchanges: Sequence[Exchange], address: str) -> bool:
    """Return whether the module refused for good: it may also have promised to answer later."""
    return any(m.source == address and not m.is_pending for e in exchanges for m in e.refusals())


def _is_cut(exchanges: Sequence[Exchange], address: str) -> bool:
    """Return whether nothing but a part of an answer came.

    Of a legislated list that counts although service 19 listed codes: it need not be the same.
    """
    whole = any(m.source == address for e in exchanges for m in e.messages)
    return not whole and exchanges[-1].outcome is Outcome.GARBLED


def _began(exchanges: Sequence[Exchange], address: str) -> bool:
    """Return whether an answer began that did not come to its end."""
    promised = any(m.source == address for e in exchanges for m in e.refusals())
    return promised or any(e.outcome is Outcome.GARBLED for e in exchanges)


def _refusals(
    request: bytes,
    exchanges: Sequence[Exchange],
    address: str,
    bus: Bus,
    language: Language | None,
) -> Iterator[str]:
    kinds = code_kinds(request)
    if kinds == {_PERMANENT}:
        return  # a car older than permanent codes refuses them; that is no fault
    for exchange in exchanges:
        for message in exchange.refusals():
            if message.source != address or message.is_pending:
                continue
            if kinds == {_PENDING} and message.refusal_code in NOT_SUPPORTED:
                continue  # as by silence: it need not know pending codes
            yield f"{_name(request)} refused: {refusal_meaning(message, bus, language)}"


def _silence(request: bytes, exchanges: Sequence[Exchange], read: frozenset[str]) -> str:
    missing = code_kinds(request) - read or code_kinds(request)
    what = _PENDING if missing == {_PENDING} else _PERMANENT
    what = "stored" if _CONFIRMED in missing else what
    last = exchanges[-1]
    alone = "" if last.request.target == FUNCTIONAL else f" ({_name(request)})"
    if last.outcome in NOT_WHOLE:
        return f"the answer to the request for {what} codes{alone} did not arrive whole"
    if _CONFIRMED in missing:
        return f"did not answer the request for stored codes{alone}"
    return ""


def _name(request: bytes) -> str:
    report = request[0] == trouble_reports.SERVICE
    return f"service {request[0]:02X}" + (f" report {request[1]:02X}" if report else "")
