"""Which codes are gone, which remain, which are new, and which nobody looked for again."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from analysis.compare.model import Change, CodeChange, Document, Key

NOT_A_FAILURE = frozenset({"not-tested", "not-tested-this-cycle", "not-tested-since-clear", "past"})
"""Statuses that do not say that a test failed (ISO 14229-1 status bits 4 and 6)."""

STILL_FAILING = frozenset({"pending", "failing-now", "failed-this-cycle"})
"""Statuses that only a test failed in this or the last drive gives (SAE J1979 service 07)."""

_IN_EVERY_NAME = frozenset({"control", "module", "unit", "ecu", "the"})


def modules_of(codes: Document | None) -> dict[str, Document]:
    """Return the modules of a code reading by address."""
    return {str(m.get("address", "")): m for m in (codes or {}).get("modules", ())}


def was_read(module: Document | None) -> bool:
    """Return whether a module gave its codes; one that erred is not taken for clean."""
    return module is not None and bool(module.get("answered", True)) and not module.get("error")


def module_was_read(part: str, codes: Document | None) -> bool:
    """Return whether a module that gave its codes bears the name people use in `part`."""
    words = set(re.findall(r"\w+", part.casefold())) - _IN_EVERY_NAME
    return bool(words) and any(
        was_read(module) and words <= set(re.findall(r"\w+", str(module.get("name")).casefold()))
        for module in modules_of(codes).values()
    )


def present_codes(codes: Document | None) -> dict[Key, Document]:
    """Return the codes that a reading shows as failed, by module, code and failure type."""
    return {
        (address, str(code["code"]), code.get("failure_type")): code
        for address, module in modules_of(codes).items()
        for code in module.get("codes", ())
        if statuses(code)
    }


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
    earlier, later = present_codes(before), present_codes(after)
    modules = {**modules_of(before), **modules_of(after)}
    again = modules_of(after)
    for key in sorted(earlier.keys() | later.keys(), key=lambda k: (k[0], k[1], k[2] or "")):
        address, code, failure_type = key
        if key in later:
            change = Change.REMAINING if key in earlier else Change.NEW
        else:
            change = Change.GONE if was_read(again.get(address)) else Change.NOT_READ_AGAIN
        said: dict[str, Any] = {**earlier.get(key, {}), **later.get(key, {})}
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
            after=statuses(later.get(key)),
            judgement=str(reason.get("judgement") or ""),
            because=str(reason.get("because") or ""),
        )
