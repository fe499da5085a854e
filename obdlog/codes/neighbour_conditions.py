"""Conditions on the other codes of the same reading."""

from __future__ import annotations

from collections.abc import Mapping

from obdlog.addresses import ENGINE, TRANSMISSION, module_name
from obdlog.codes.data import CodeRow, code_row
from obdlog.codes.facts import CONFIRMED, FAILING_NOW, Case, CodeFacts, has_returned
from obdlog.codes.found import ELECTRICAL_SORTS, Condition, Found, names, when
from obdlog.codes.meaning import describe

_REFERENCE = "reference-"
_LOW = "low"
_NETWORK = "network"
"""Sort of the faults that one module notes of another."""
_INVALID_DATA = "invalid-data"
_SENDERS = {"ecm": ENGINE, "tcm": TRANSMISSION}
"""Modules whose codes are known by their legislated addresses."""


def _no_returned_root(case: Case, _: Mapping[str, float]) -> Found:
    """Hold unless a code that explains this one came back as well."""
    roots = [c for c in _roots(case) if has_returned(c, case.evidence)]
    shared = _low_sisters(case) if case.row and case.row.fault.id == _LOW else ()
    return when(not roots and not any(has_returned(c, case.evidence) for c in shared))


def _network_or_supply(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it is a network code or one of the supply voltage."""
    return when(
        case.code.code.startswith("U")
        or (case.row is not None and case.row.component.id in ("supply-voltage", "charging"))
    )


def _low_on_reference(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it is a low signal of a sensor on a 5 V reference."""
    return when(_is_low_on_reference(case.row))


def _is_low_on_reference(row: CodeRow | None) -> bool:
    return row is not None and row.fault.id == _LOW and bool(row.component.reference)


def _low_sisters(case: Case) -> tuple[CodeFacts, ...]:
    """Return other low codes on the same supply, of other components."""
    row = case.row
    if row is None or not row.component.reference:
        return ()
    return tuple(
        c
        for c in case.others
        if (sister := code_row(c.code)) is not None
        and _is_low_on_reference(sister)
        and sister.component.reference == row.component.reference
        and sister.component.id != row.component.id
    )


def _reference_code(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where a code of a reference voltage is here."""
    roots = [
        c
        for c in case.others
        if (row := code_row(c.code)) is not None and row.component.id.startswith(_REFERENCE)
    ]
    together = (case.code, *_low_sisters(case))
    return when(bool(roots), roots=names(roots), others=names(together))


def _several_low_on_reference(case: Case, limits: Mapping[str, float]) -> Found:
    """Hold where several sensors of one 5 V reference are low."""
    together = (case.code, *_low_sisters(case))
    return when(len(together) >= limits["shared_reference_codes"], others=names(together))


def _misfire_present(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where a misfire code is here."""
    roots = case.others_in("misfire")
    return when(bool(roots), roots=names(roots))


def _roots(case: Case) -> list[CodeFacts]:
    """Return the other codes, still standing, whose component commonly brings this one along."""
    mine = case.row.component if case.row else None
    return [
        c
        for c in case.others
        if (row := code_row(c.code)) is not None
        and row.component != mine
        and c.statuses & {CONFIRMED, FAILING_NOW}
        and row.component.leads_to_code(case.code.code)
        and not (case.row is not None and _leads_back(case.row, row))
        and _noted_here(case, c, row)
    ]


def _noted_here(case: Case, root: CodeFacts, row: CodeRow) -> bool:
    """Return whether `root` can be the root of what this module notes.

    Data that a module misses have their consequences in that module: what another one misses
    explains nothing but its own codes and those of the network.
    """
    mine = case.row.fault.sort if case.row else ""
    if row.fault.sort != _NETWORK or mine == _NETWORK:
        return True
    return any(c.code == root.code and c.module == case.code.module for c in case.everything)


def _leads_back(mine: CodeRow, root: CodeRow) -> bool:
    """Return whether two codes bring each other along and `mine` is the root of the two.

    What one module says of data that it gets from another follows from that one's own code.
    """
    if not mine.component.leads_to_code(root.code):
        return False
    if (mine.fault.sort == _NETWORK) is not (root.fault.sort == _NETWORK):
        return root.fault.sort == _NETWORK
    return mine.component.id < root.component.id


def _root_code(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where another code that still stands commonly brings this one along."""
    roots = _roots(case)
    if not roots:
        return None
    first = min(roots, key=lambda c: c.code)
    return {"roots": names(roots), "root_meaning": describe(first.code).meaning}


def _no_root(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where no other code explains this one."""
    return when(not _roots(case))


def _scattered(case: Case, limits: Mapping[str, float]) -> Found:
    """Hold where several network codes stand together."""
    network = {(c.code, c.module) for c in case.everything if c.code.startswith("U")}
    return when(len(network) >= limits["scattered_codes"], count=str(len(network)))


def _both_banks(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where the other bank is lean or rich as well."""
    row = case.row
    if row is None or row.fault.id not in ("lean", "rich") or not row.place.startswith("bank "):
        return None
    twin = "bank 2" if row.place.startswith("bank 1") else "bank 1"
    twins = [
        c
        for c in case.others_in(row.component.id)
        if (other := code_row(c.code)) is not None
        and other.fault == row.fault
        and other.place == twin + row.place[6:]
    ]
    return when(bool(twins), others=names([case.code, *twins]))


def _plug_mates_too(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where another circuit of the same plug has an electrical code as well."""
    row = case.row
    if row is None or not row.component.connector or row.fault.sort not in ELECTRICAL_SORTS:
        return None
    mates = [
        c
        for c in case.others
        if (other := code_row(c.code)) is not None
        and other.fault.sort in ELECTRICAL_SORTS
        and other.component.shares_plug(row.component)
        and (other.place == row.place or not other.place or not row.place or _counts(other, row))
    ]
    return when(bool(mates), others=names([case.code, *mates]))


def _counts(one: CodeRow, other: CodeRow) -> bool:
    """Return whether the places merely count the sensors of different circuits."""
    return not {"bank", "cylinder"} & {one.place.split()[0], other.place.split()[0]}


def _several_report(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where several modules miss the same one."""
    if case.row is None or case.row.fault.id != "no-communication":
        return None
    mine = case.row.component
    reporters = {
        c.module
        for c in case.everything
        if (row := code_row(c.code)) is not None and row.component == mine
    }
    found = {"count": str(len(reporters)), "component": mine.label}
    return found if len(reporters) >= 2 else None


def _data_of_a_faulty_module(case: Case, _: Mapping[str, float]) -> Found:
    """Hold where it rejects the data of a module that itself stores a fault.

    Which module is which only the legislated addresses tell: engine and transmission control.
    """
    row = case.row
    if row is None or row.fault.id != _INVALID_DATA:
        return None
    name = _SENDERS.get(row.component.id)
    roots = [
        c
        for c in case.everything
        if module_name(c.module) == name
        and c.module != case.code.module
        and c.statuses & {CONFIRMED, FAILING_NOW}
        and not c.code.startswith("U")
    ]
    return when(bool(roots), component=row.component.label, roots=names(roots))


CONDITIONS: dict[str, Condition] = {
    "no-returned-root": _no_returned_root,
    "network-or-supply": _network_or_supply,
    "low-on-reference": _low_on_reference,
    "reference-code": _reference_code,
    "several-low-on-reference": _several_low_on_reference,
    "misfire-present": _misfire_present,
    "root-code": _root_code,
    "no-root": _no_root,
    "data-of-a-faulty-module": _data_of_a_faulty_module,
    "scattered": _scattered,
    "both-banks": _both_banks,
    "plug-mates-too": _plug_mates_too,
    "several-report": _several_report,
}
