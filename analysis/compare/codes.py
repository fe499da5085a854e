"""Which codes are gone, which remain, which are new, and which nobody looked for again."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from analysis.compare.model import Change, CodeChange, Document, Key
from obdlog.addresses import module_name, titled
from obdlog.services.code_reply import LAMP_ONLY, only_for_its_lamp

NOT_A_FAILURE = LAMP_ONLY | {"not-tested-since-clear", "past"}
"""Statuses that do not say that a test failed (ISO 14229-1 status bits 4, 6 and 7)."""

STILL_FAILING = frozenset({"pending", "failing-now", "failed-this-cycle"})
"""Statuses that only a test failed in this or the last drive gives (SAE J1979 service 07)."""

_IN_EVERY_NAME = frozenset({"control", "module", "unit", "ecu", "the"})

_Types = Mapping[tuple[str, str], tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Codes:
    """The codes of two readings under the same keys.

    Attributes
    ----------
    earlier, later
        What either reading shows as failed, by module, code and failure type.
    waiting
        What the later one lists only because its lamp waits: no failure is stored under it.
    """

    earlier: dict[Key, Document]
    later: dict[Key, Document]
    waiting: dict[Key, Document]


def modules_of(codes: Document | None) -> dict[str, Document]:
    """Return the modules of a code reading by address."""
    return {str(m.get("address", "")): m for m in (codes or {}).get("modules", ())}


def was_read(module: Document | None) -> bool:
    """Return whether a module gave its codes; one that erred is not taken for clean."""
    return module is not None and bool(module.get("answered", True)) and not module.get("error")


def title_of(address: str, *readings: Document | None) -> str:
    """Return the name and address of a module, as the first reading that has it names it."""
    found = (modules_of(codes).get(address) for codes in readings)
    names = (str(module["name"]) for module in found if module and module.get("name"))
    return titled(next(names, module_name(address)), address) if address else "the car"


def module_was_read(part: str, codes: Document | None) -> bool:
    """Return whether a module that gave its codes bears the name people use in `part`."""
    return bool(modules_named(part, codes))


def modules_named(part: str, codes: Document | None) -> tuple[str, ...]:
    """Return the addresses of the modules that gave their codes and bear the name in `part`."""
    words = set(re.findall(r"\w+", part.casefold())) - _IN_EVERY_NAME
    return tuple(
        address
        for address, module in modules_of(codes).items()
        if words and was_read(module)
        if words <= set(re.findall(r"\w+", str(module.get("name")).casefold()))
    )


def pair_codes(before: Document | None, after: Document | None) -> Codes:
    """Return the codes of two readings, one entry a module, code and failure type.

    The generic services tell no failure type: what they list is the same code as the one that
    the module itself lists with its type.
    """
    types = _types(before, after)
    earlier, later = _listed(before, types), _listed(after, types)
    return Codes(
        {key: code for key, code in earlier.items() if statuses(code)},
        {key: code for key, code in later.items() if statuses(code)},
        {key: code for key, code in later.items() if only_for_its_lamp(code["status"])},
    )


def present_codes(codes: Document | None) -> dict[Key, Document]:
    """Return the codes that a reading shows as failed, by module, code and failure type."""
    return pair_codes(codes, None).earlier


def _types(*readings: Document | None) -> _Types:
    """Return the failure types of each code of a module, in order, where any reading tells one."""
    found: dict[tuple[str, str], list[str]] = {}
    for codes in readings:
        for address, module in modules_of(codes).items():
            for code in module.get("codes", ()):
                held = found.setdefault((address, str(code["code"])), [])
                failure_type = code.get("failure_type")
                if failure_type is not None and failure_type not in held:
                    held.append(failure_type)
    return {key: tuple(held) for key, held in found.items()}


def _listed(codes: Document | None, types: _Types) -> dict[Key, Document]:
    own = _types(codes)
    found: dict[Key, Document] = {}
    for address, module in modules_of(codes).items():
        for code in module.get("codes", ()):
            place = address, str(code["code"])
            kinds: tuple[str | None, ...] = (code.get("failure_type"),)
            if kinds == (None,):
                kinds = own[place] or types[place] or kinds
            for failure_type in kinds:
                key = (*place, failure_type)
                found[key] = _joined(found[key], code) if key in found else code
    return found


def _joined(one: Document, other: Document) -> Document:
    """Return a code that was listed twice, with every status of both."""
    told, added = (other, one) if one.get("failure_type") is None else (one, other)
    words = dict.fromkeys((*told.get("status", ()), *added.get("status", ())))
    return {**told, "status": list(words)}


def statuses(code: Document | None) -> tuple[str, ...]:
    """Return the statuses of a code, empty when none of them says that it failed."""
    found = tuple(str(s) for s in (code or {}).get("status", ()))
    return found if set(found) - NOT_A_FAILURE else ()


def compare_codes(before: Document | None, after: Document | None) -> tuple[CodeChange, ...]:
    """Return one change a code, by module and code; empty unless both sides were read."""
    if before is None or after is None:
        return ()
    return tuple(_changes(before, after))


def _changes(before: Document, after: Document) -> Iterator[CodeChange]:
    found = pair_codes(before, after)
    earlier, later, waiting = found.earlier, found.later, found.waiting
    modules = {**modules_of(before), **modules_of(after)}
    again = modules_of(after)
    for key in sorted(earlier.keys() | later.keys(), key=lambda k: (k[0], k[1], k[2] or "")):
        address, code, failure_type = key
        if key in later:
            change = Change.REMAINING if key in earlier else Change.NEW
        elif not was_read(again.get(address)):
            change = Change.NOT_READ_AGAIN
        else:
            change = Change.LAMP_WAITS if key in waiting else Change.GONE
        now = later.get(key) or waiting.get(key) or {}
        said: dict[str, Any] = {**earlier.get(key, {}), **now}
        # The judgement made before the work is the one that the work answered.
        reason = earlier.get(key, said)
        yield CodeChange(
            change=change,
            address=address,
            module=str(modules[address].get("name") or address),
            code=code,
            failure_type=failure_type,
            meaning=str(said.get("meaning") or ""),
            before=statuses(earlier.get(key)),
            after=tuple(str(s) for s in now.get("status", ())),
            judgement=str(reason.get("judgement") or ""),
            because=str(reason.get("because") or ""),
        )
