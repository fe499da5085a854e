"""The technician's tables of modules: which were read, and what they say of themselves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.compare.codes import modules_of, was_read
from analysis.compare.model import Document
from analysis.report import words
from analysis.report.evidence import Row
from obdlog.addresses import titled
from obdlog.modules import Module


def read_rows(
    before: Document | None, after: Document | None, known: Sequence[Module] = ()
) -> tuple[Row, ...]:
    """Return which modules were read, when, and what they said of their lamps.

    A module that the case only knows of is listed, too: nothing says that it is clean.
    """
    sides = (before, modules_of(before)), (after, modules_of(after))
    names = {m.response: titled(m.name, m.response) for m in known}
    for _, modules in sides:
        names |= {address: words.module_name(m) for address, m in modules.items()}
    rows = []
    for address in sorted(names):
        found = [modules.get(address) for _, modules in sides]
        rows.append(
            Row(
                (
                    names[address],
                    *(
                        _read_at(document, module)
                        for (document, _), module in zip(sides, found, strict=True)
                    ),
                    *(words.lamp(m) if was_read(m) and m else "not read" for m in found),
                ),
                alert=not was_read(found[1] if after is not None else found[0]),
            )
        )
    return tuple(rows)


def _read_at(document: Document | None, module: Document | None) -> str:
    if module is None or not was_read(module):
        reason = str((module or {}).get("error") or "")
        return f"✗ not read{f': {reason}' if reason else ''}"
    moment = words.moment(module.get("read_at") or (document or {}).get("read_at"))
    return f"✓ read {moment}".strip()


def identification_rows(vehicle: Document | None, vin: str) -> tuple[Row, ...]:
    """Return what modules say of themselves by identifier: part numbers, software and the like."""
    found = ((m, m.get("identification") or ()) for m in (vehicle or {}).get("modules", ()))
    return tuple(
        Row(
            (words.module_name(module), "; ".join(_identity_text(item, vin) for item in items)),
            alert=any(_of_another_car(item, vin) for item in items),
        )
        for module, items in found
        if items
    )


def _identity_text(item: Mapping[str, Any], vin: str) -> str:
    name = words.first_upper(str(item.get("name") or f"identifier {item.get('identifier')}"))
    text = f"{name}: {item.get('text') or str(item.get('hex')) + ' (bytes)'}"
    if not _of_another_car(item, vin):
        return text
    return f"{text} (✗ not the number of this vehicle: the module may come from another one)"


def _of_another_car(item: Mapping[str, Any], vin: str) -> bool:
    return item.get("key") == "vin" and bool(vin and item.get("text")) and item["text"] != vin
