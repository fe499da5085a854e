"""The lists of codes of one module, merged: one entry a code and failure type."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services import older_codes, trouble_reports
from obdlog.services.code_reply import (
    CONFIRMED,
    LAMP_BIT,
    LAMP_REQUESTED,
    NOT_TESTED,
    PERMANENT,
    STATUS_BITS,
    Code,
    CodeReply,
    only_for_its_lamp,
)
from obdlog.services.codes import read_codes
from obdlog.survey.answers import CODE_SERVICES, Answers
from obdlog.survey.records import CodeRecord

_ORDER = tuple(
    word
    for _, name in STATUS_BITS
    for word in ((name, PERMANENT) if name == "pending" else (name,))
)
"""Words of a status, the most telling first."""

_TELLS_NOTHING = frozenset({NOT_TESTED, "not-tested-this-cycle"})
"""A code with no other status is one that the module could set and has not."""

_LISTS = frozenset(
    {0x02, 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15}
    | {trouble_reports.FUNCTIONAL, trouble_reports.PERMANENT}
)
_NOT_ALL_FAULTS = frozenset({0x09, 0x0B, 0x0C, 0x0D, 0x0E})
"""Reports of one code, or of the first or last one."""

_NOT_TESTED_BIT = 0x10
_FAILED_BITS = 0x2F
"""Failing now, this cycle, pending, confirmed, since clearing."""
_NO_STORAGE = 0x70


@dataclass(frozen=True, slots=True)
class ModuleCode:
    """One code of one module with every status it was read under.

    `status_byte`, `severity` and `symptom` are None or "" where the module did not say;
    `records` is what it stored with the code.
    """

    code: str
    status: tuple[str, ...]
    failure_type: str | None = None
    status_byte: int | None = None
    severity: int | None = None
    symptom: str = ""
    records: tuple[CodeRecord, ...] = ()

    @property
    def only_for_its_lamp(self) -> bool:
        """Whether it is listed only because its lamp waits: no failure is stored under it."""
        return only_for_its_lamp(self.status)


@dataclass(slots=True)
class Lists:
    """What the lists of one module say together."""

    read: bool = False
    codes: tuple[ModuleCode, ...] = ()
    lamp: bool | None = None
    supported: int | None = None
    not_tested: int | None = None
    own_tests: dict[tuple[str, str | None], bool] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Gathering:
    """The lists of one module while they are read."""

    generic: dict[str, list[str]] = field(default_factory=dict)
    detailed: dict[tuple[str, str | None], Code] = field(default_factory=dict)
    listed_by: dict[tuple[str, str | None], bytes] = field(default_factory=dict)
    untested: set[tuple[str, str | None]] = field(default_factory=set)
    supported: set[tuple[str, str | None]] | None = None
    knows_untested: bool = False
    shows_lamps: bool = False
    counts: dict[int, int] = field(default_factory=dict)
    listed: dict[int, int] = field(default_factory=dict)
    found: Lists = field(default_factory=Lists)


def read_lists(answers: Answers, address: str, bus: Bus) -> Lists:
    """Return the codes of a module from its last answers in any language."""
    gathering = _Gathering()
    for service, status in CODE_SERVICES.items():
        for payload in answers.of(address, bytes([service])):
            gathering.found.read = True
            for code in _read(payload, bus, bytes([service]), gathering).codes:
                held = gathering.generic.setdefault(code.text, [])
                held += [status] if status not in held else []
    for request, payload in answers.by_service(address, trouble_reports.SERVICE):
        _report(request, payload, bus, gathering)
    for service in (older_codes.CODES, older_codes.STATUS_OF, older_codes.BY_STATUS):
        for request, payload in answers.by_service(address, service):
            _older(request, payload, bus, gathering)
    return _merged(gathering)


def _read(payload: bytes, bus: Bus, request: bytes, gathering: _Gathering) -> CodeReply:
    try:
        reply = read_codes(payload, bus, request)
    except DecodeError as error:
        gathering.found.problems.append(str(error))
        return CodeReply(())
    if reply.problem:
        gathering.found.problems.append(reply.problem)
    return reply


def _report(request: bytes, payload: bytes, bus: Bus, gathering: _Gathering) -> None:
    kind = request[1] if len(request) > 1 else -1
    if kind == trouble_reports.COUNT and len(request) > 2:
        reply = _read(payload, bus, request, gathering)
        if reply.count is not None:
            gathering.counts[request[2]] = reply.count
        return
    if kind not in _LISTS:
        return
    gathering.found.read = gathering.found.read or kind not in _NOT_ALL_FAULTS
    reply = _read(payload, bus, request, gathering)
    mask = _mask(request, kind)
    available = reply.available or 0
    gathering.shows_lamps |= bool(available & mask & LAMP_BIT)
    gathering.knows_untested |= bool(available & mask & _NOT_TESTED_BIT)
    if kind == trouble_reports.CODES:
        gathering.listed[mask] = len(reply.codes)
        if not reply.problem:
            _drop_unlisted(request, reply, mask & available, gathering)
    if kind == trouble_reports.SUPPORTED:
        gathering.supported = {(code.text, code.failure_type) for code in reply.codes}
    for code in reply.codes:
        _add(code, gathering)
        _note_test(code, available, gathering.found.own_tests)


def _drop_unlisted(request: bytes, reply: CodeReply, bits: int, gathering: _Gathering) -> None:
    """Drop codes of earlier lists that this one, asked with another mask, would hold too."""
    listed = {(code.text, code.failure_type) for code in reply.codes}
    for key, asked in list(gathering.listed_by.items()):
        held = gathering.detailed[key]
        if asked == request or key in listed or PERMANENT in held.status:
            continue
        if held.status_byte is not None and held.status_byte & bits:
            del gathering.detailed[key], gathering.listed_by[key]
            gathering.untested.discard(key)
    gathering.listed_by |= dict.fromkeys(listed, request)


def _note_test(code: Code, available: int, tests: dict[tuple[str, str | None], bool]) -> None:
    """Note whether the test of a code has run since clearing; a failed one is no such news."""
    key = (code.text, code.failure_type)
    tests.pop(key, None)
    if code.status_byte is None or not available & _NOT_TESTED_BIT:
        return
    if code.status_byte & _NOT_TESTED_BIT:
        tests[key] = False
    elif not code.status_byte & _FAILED_BITS:
        tests[key] = True


def _mask(request: bytes, kind: int) -> int:
    """Return the status bits that a list was asked for."""
    if kind == trouble_reports.SUPPORTED:
        return trouble_reports.ANY_STATUS
    place = {0x02: 2, 0x0F: 2, 0x13: 2, 0x08: 3, trouble_reports.FUNCTIONAL: 3}.get(kind)
    return request[place] if place is not None and len(request) > place else 0


def _older(request: bytes, payload: bytes, bus: Bus, gathering: _Gathering) -> None:
    gathering.found.read = True
    reply = _read(payload, bus, request, gathering)
    all_codes = older_codes.asks_for_supported(request)
    if all_codes:
        gathering.supported = {(code.text, None) for code in reply.codes}
        gathering.knows_untested = True
    for code in reply.codes:
        # Where the status byte keeps no standard storage state, the list itself says "stored".
        says_nothing = code.status_byte is not None and not code.status_byte & _NO_STORAGE
        if says_nothing and not all_codes:
            code = Code(
                code.text, None, (CONFIRMED, *code.status), code.status_byte, None, code.symptom
            )
        _add(code, gathering)


def _add(code: Code, gathering: _Gathering) -> None:
    key = (code.text, code.failure_type)
    if NOT_TESTED in code.status:
        gathering.untested.add(key)
    else:
        gathering.untested.discard(key)
    held = gathering.detailed.get(key)
    if held is not None and PERMANENT in code.status and held.status_byte is not None:
        # The report of permanent codes adds that; what fails now, the other lists say.
        code = replace(held, status=(PERMANENT, *held.status))
    elif held is not None:
        permanent = (PERMANENT,) if PERMANENT in (*held.status, *code.status) else ()
        words = code.status if code.status_byte is not None else (*held.status, *code.status)
        code = Code(
            code.text,
            code.failure_type,
            (*permanent, *words),
            held.status_byte if code.status_byte is None else code.status_byte,
            held.severity if code.severity is None else code.severity,
            code.symptom or held.symptom,
        )
    gathering.detailed[key] = code


def _ordered(words: set[str]) -> tuple[str, ...]:
    return tuple(word for word in _ORDER if word in words)


def _merged(gathering: _Gathering) -> Lists:
    """Return one entry a code and failure type, those of the generic services first."""
    told = {
        key: code for key, code in gathering.detailed.items() if {*code.status} - _TELLS_NOTHING
    }
    entries: list[ModuleCode] = []
    for text, words in gathering.generic.items():
        own = [key for key in told if key[0] == text]
        entries += [_entry(told.pop(key), words) for key in own]
        if not own:
            entries.append(ModuleCode(text, _ordered({*words})))
    entries += [_entry(code, ()) for code in told.values()]
    found = gathering.found
    found.codes = tuple(entries)
    lamp_on = any(LAMP_REQUESTED in code.status for code in entries)
    found.lamp = True if lamp_on else (False if gathering.shows_lamps else None)
    found.supported = None if gathering.supported is None else len(gathering.supported)
    found.not_tested = len(gathering.untested) if gathering.knows_untested else None
    for mask, count in gathering.counts.items():
        listed = gathering.listed.get(mask)
        if not found.read:
            found.problems.append(f"counts {count} code{'s' * (count != 1)}, its list was not read")
        elif listed is not None and listed != count:
            found.problems.append(f"the module counts {count} codes and lists {listed}")
    return found


def _entry(code: Code, more: Sequence[str]) -> ModuleCode:
    return ModuleCode(
        code.text,
        _ordered({*code.status, *more}),
        code.failure_type,
        code.status_byte,
        code.severity,
        code.symptom,
    )
