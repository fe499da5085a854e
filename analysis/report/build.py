"""A case's material to its report: one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC
from typing import Any

from analysis.compare.codes import modules_of, was_read
from analysis.report import evidence, modules, words
from analysis.report.case import CaseMaterial
from analysis.report.figures import drive_pictures
from analysis.report.owner import owner_page
from analysis.report.render import render
from obdlog.addresses import titled

SHORTEST_HIDDEN = 6
"""A shorter "vehicle number" would, when hidden everywhere, take half the words with it."""


def build_report(case: CaseMaterial, *, hide_vin: bool = False) -> str:
    """Return the report as HTML text.

    Parameters
    ----------
    case
        The material.
    hide_vin
        Write the vehicle number without its last six characters, wherever it occurs.
    """
    hidden = _vins(case) if hide_vin else ()
    return render("report.html", _context(case), conceal=_conceal(hidden))


def _vins(case: CaseMaterial) -> tuple[str, ...]:
    """Return every vehicle number in the case; a module may bear that of another vehicle."""
    items = (
        item
        for module in (case.vehicle or {}).get("modules", ())
        for item in module.get("identification") or ()
    )
    found = (str(item["text"]) for item in items if item.get("key") == "vin" and item.get("text"))
    return tuple(dict.fromkeys((case.vin, *found)))


def _conceal(vins: Sequence[str]) -> Callable[[str], str]:
    shown = {vin: words.masked_vin(vin) for vin in vins if len(vin) >= SHORTEST_HIDDEN}

    def conceal(text: str) -> str:
        for vin, masked in shown.items():
            text = text.replace(vin, masked)
        return text

    return conceal


def _context(case: CaseMaterial) -> dict[str, Any]:
    drive = case.drive
    before, after = case.before, case.after
    return {
        "case": case,
        "words": words,
        "generated": f"{case.generated_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC",
        "owner": owner_page(case),
        "identity": _identity(case),
        "code_tables": evidence.code_tables(
            before.codes, after.codes, case.tests_before, case.tests_after
        ),
        "frames": evidence.frozen_frames(before.codes) or evidence.frozen_frames(after.codes),
        "readiness": evidence.readiness_rows(before.readiness, after.readiness),
        "counters": evidence.counter_rows(before.readiness, after.readiness),
        "tests": evidence.test_rows(case.tests_before, case.tests_after),
        "road": evidence.road_test(drive) if drive is not None else None,
        "road_shows_fault": case.after.data is None and case.after.codes is not None,
        "simulated": "sim://" in case.equipment.link,
        "outside": evidence.outside_rows(case.findings),
        "notes": evidence.note_rows(case.findings),
        "inside": evidence.inside_rows(case.findings),
        "unjudged": evidence.unjudged_rows(case.findings),
        "signals": evidence.signal_rows(case),
        "pictures": drive_pictures(drive, case.findings) if drive is not None else (),
        "repair": tuple(_repair(case)),
        "identity_rows": _module_rows(case),
        "identification": modules.identification_rows(case.vehicle, case.vin),
        "read_rows": modules.read_rows(before.codes, after.codes, case.known_modules),
        "files": tuple(
            evidence.Row((f.name, f.holds or "–", words.number(f.size_bytes), f.sha256 or "–"))
            for f in case.files
        ),
        "unread": _unread(case),
    }


@dataclass(frozen=True, slots=True)
class _Item:
    item: str
    verdict: str
    limit: str
    rows: tuple[evidence.Row, ...]


def _repair(case: CaseMaterial) -> Iterator[_Item]:
    for item in case.comparison.repair if case.comparison else ():
        rows = [
            evidence.Row((r.text, words.MET[r.met], r.evidence), alert=r.met is False)
            for r in item.requirements
        ]
        yield _Item(item.item, str(item.verdict), item.limit, tuple(rows))


def _module_rows(case: CaseMaterial) -> tuple[evidence.Row, ...]:
    return tuple(
        evidence.Row(
            (
                words.module_name(module),
                ", ".join(map(str, module.get("calibrations") or ())) or "not reported",
                ", ".join(map(str, module.get("cvns") or ())) or "not reported",
            )
        )
        for module in (case.vehicle or {}).get("modules", ())
        if module.get("calibrations") or module.get("cvns") or not module.get("identification")
    )


def _identity(case: CaseMaterial) -> tuple[tuple[str, str], ...]:
    vehicle = case.vehicle or {}
    check = {
        "valid": "check digit agrees",
        "invalid": "check digit or form does not agree",
        "not-used": "no check digit in this region",
    }.get(str(vehicle.get("vin_check")), "")
    rows = [
        ("Vehicle number", f"{case.vin} ({check})" if case.vin and check else case.vin),
        ("Odometer, as stated", words.number(case.odometer_km, "km") if case.odometer_km else ""),
        *(_fact(key, value) for key, value in case.vehicle_facts.items()
          if key not in ("vin", "odometer_km")),
        ("Place, as stated", case.place),
        ("Operator, as stated", case.operator),
        ("First reading", words.moment((case.before.codes or {}).get("read_at"))),
        ("Codes erased", ", ".join(_erases(case))),
        ("Last reading", words.moment((case.after.codes or {}).get("read_at"))),
        ("Protocol", case.equipment.protocol or str(vehicle.get("protocol") or "")),
        ("Adapter says it is", case.equipment.adapter),
        ("Link", case.equipment.link),
        ("Supply voltage at the connector", words.number(case.equipment.voltage_v, "V")
         if case.equipment.voltage_v is not None else ""),
        ("Software", case.equipment.software),
    ]  # fmt: skip
    return tuple((label, value or "not stated") for label, value in rows)


def _erases(case: CaseMaterial) -> Iterator[str]:
    yield from map(words.moment, case.erased_at)
    for sent in case.erases_unanswered:
        yield f"sent {words.moment(sent) or 'at an unknown time'}, answer not known"


def _fact(key: str, value: object) -> tuple[str, str]:
    plain = f"{key.replace('_', ' ').capitalize()}, as stated"
    label, unit = words.FACTS.get(key, (plain, ""))
    return label, value if isinstance(value, str) else words.number(value, unit)


def _unread(case: CaseMaterial) -> tuple[str, ...]:
    last = modules_of(case.after.codes or case.before.codes)
    earlier = modules_of(case.before.codes)
    known = {m.response: titled(m.name, m.response) for m in case.known_modules}
    known |= {address: words.module_name(m) for address, m in {**earlier, **last}.items()}
    return tuple(name for address, name in known.items() if not was_read(last.get(address)))
