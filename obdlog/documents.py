"""The JSON documents of the command line, as plain dictionaries; pure.

Each takes exchanges and returns the contract's keys, so that a live reading and a recorded
session give the same document. Times are ISO 8601 in UTC.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from obdlog import identity, survey
from obdlog.addresses import module_name
from obdlog.codes_document import codes_document, identification_objects, named_facts
from obdlog.model import NOT_WHOLE, Bus, Exchange
from obdlog.modules import Module
from obdlog.services import scales
from obdlog.services.objects import info_object, test_object
from obdlog.services.vehicle_info import VehicleInfo
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.info_types import module_meaning
from obdlog.tables.monitors import MonitorStatus
from obdlog.tables.signals import by_pid
from obdlog.vin import check_vin

__all__ = [
    "clear_document",
    "codes_document",
    "readiness_document",
    "recording_document",
    "tests_document",
    "unread",
    "vehicle_document",
]

if TYPE_CHECKING:
    from obdlog.erase.result import ModuleErasure
    from obdlog.recorder import Recording


def readiness_document(exchanges: Sequence[Exchange], bus: Bus) -> dict[str, Any]:
    """Return ``obdlog.readiness/1``: monitors by module, and the counters since clearing."""
    counters = survey.survey_counters(exchanges, bus)
    in_use = identity.survey_in_use(exchanges, bus)
    return {
        "format": "obdlog.readiness/1",
        "modules": [
            {
                "address": module.address,
                "name": module.name,
                "lamp": module.since_clear.lamp,
                "code_count": module.since_clear.code_count,
                "ignition": module.since_clear.ignition,
                "monitors": _monitors(module.since_clear),
                "this_drive": _monitors(module.this_drive) if module.this_drive else [],
                "in_use": _in_use(in_use[module.address]) if module.address in in_use else None,
            }
            for module in survey.survey_readiness(exchanges)
        ],
        "groups": _groups(exchanges),
        "counters": {
            "warm_ups_since_clear": counters.warm_ups_since_clear,
            "distance_since_clear_km": counters.distance_since_clear_km,
            "minutes_since_clear": counters.minutes_since_clear,
            "distance_with_lamp_km": counters.distance_with_lamp_km,
            "minutes_with_lamp": counters.minutes_with_lamp,
        },
    }


def _groups(exchanges: Sequence[Exchange]) -> list[dict[str, Any]]:
    """Return the readiness groups of cars after SAE J1979-2; what they stand for is not public."""
    return [
        {
            "address": address,
            "name": module_name(address),
            "group": f"{group:02X}",
            "codes": [
                {
                    "code": code.text,
                    "failure_type": code.failure_type,
                    "status": list(code.status),
                    "status_byte": None if code.status_byte is None else f"{code.status_byte:02X}",
                }
                for code in codes
            ],
        }
        for address, groups in survey.survey_readiness_groups(exchanges).items()
        for group, codes in sorted(groups.items())
    ]


def _in_use(info: VehicleInfo) -> dict[str, Any]:
    """Return how often monitors completed and could have; a ratio is null without conditions."""
    counts = dict(info.counters)
    return {
        "drives": counts.get("OBDCOND"),
        "ignition_cycles": counts.get("IGNCNTR"),
        "monitors": [
            {
                "monitor": m.monitor,
                "name": m.name,
                "completed": m.completed,
                "conditions": m.conditions,
                "ratio": None if m.ratio is None else round(float(m.ratio), 6),
            }
            for m in info.in_use()
        ],
    }


def _monitors(status: MonitorStatus) -> list[dict[str, Any]]:
    return [
        {"monitor": m.name, "supported": m.supported, "complete": m.complete}
        for m in status.monitors
    ]


def vehicle_document(
    exchanges: Sequence[Exchange],
    bus: Bus,
    protocol: str,
    *,
    recorded_vin: str | None = None,
    modules: Mapping[str, Module] | None = None,
) -> dict[str, Any]:
    """Return ``obdlog.vehicle/1``: VIN, protocol, identity and signals of each module.

    Parameters
    ----------
    recorded_vin
        What the header of a played-back session says, for a car that was not asked.
    modules
        What a module map knows of modules, by response address.
    """
    found = identity.survey_vehicle(exchanges, bus)
    known = modules or {}
    context = scales.contexts(exchanges)
    further = survey.further_data(exchanges)
    vin = identity.vin_of(exchanges, bus) or recorded_vin
    checked = check_vin(vin) if vin else None
    return {
        "format": "obdlog.vehicle/1",
        "vin": vin,
        "vin_check": checked.check if checked else None,
        "vin_problem": checked.problem or None if checked else None,
        "region": checked.region if checked else None,
        "country": checked.country if checked else None,
        "model_year": checked.model_year if checked else None,
        "model_years": list(checked.model_years) if checked else [],
        "protocol": protocol,
        "modules": [
            {
                "address": module.address,
                **named_facts(module, known.get(module.address)),
                "ecu_name": module.ecu_name,
                "ecu_meaning": module_meaning(module.ecu_name) if module.ecu_name else None,
                "calibrations": list(module.calibrations),
                "cvns": list(module.cvns),
                "signals": [
                    _supported(pid, context.get(module.address, EMPTY)) for pid in module.supported
                ],
                "in_use_counters": {
                    name: value for info in module.counters for name, value in info.counters
                },
                "information": [info_object(info) for info in module.other],
                "identification": identification_objects(module.identification),
                "further": [
                    {"identifier": identifier, "data": data.hex().upper()}
                    for identifier, data in further.get(module.address, {}).items()
                ],
            }
            for module in found
        ],
        "unread": unread(exchanges, {0x01, 0x09}),
    }


MOST_LABELS = 4


def _supported(pid: int, context: Context) -> dict[str, Any]:
    """Return the signals of a supported PID; those of banks 3 and 4 where PID 1D says so."""
    signals = [
        s
        for s in by_pid(pid)
        if s.needs is None or (context.known(s.needs.pid) and not context.lacks(s.needs))
    ]
    labels = list(dict.fromkeys(s.label for s in signals))
    return {
        "pid": f"{pid:02X}",
        "label": ", ".join(labels[:MOST_LABELS]) + (", …" if len(labels) > MOST_LABELS else ""),
        "names": list(dict.fromkeys(s.name for s in signals)),
    }


def tests_document(exchanges: Sequence[Exchange], bus: Bus) -> dict[str, Any]:
    """Return ``obdlog.onboard-tests/1``: the car's own test results by module."""
    tests = survey.survey_tests(exchanges, bus)
    oxygen = survey.survey_oxygen_tests(exchanges)
    context = scales.contexts(exchanges)
    return {
        "format": "obdlog.onboard-tests/1",
        "modules": [
            {
                "address": address,
                "name": module_name(address),
                "tests": [
                    {**test_object(test), "component": test.component}
                    for test in tests.get(address, ())
                ],
                "oxygen_tests": [
                    {
                        "test_id": test.test_id,
                        "test": test.name,
                        "sensor": test.sensor,
                        "place": test.place(context.get(address, EMPTY)),
                        "scaling": test.scaling,
                        "value": test.value,
                        "low": test.low,
                        "high": test.high,
                        "unit": test.unit,
                        "result": test.result,
                    }
                    for test in oxygen.get(address, ())
                ],
            }
            for address in sorted({*tests, *oxygen})
        ],
        "unread": [
            *unread(exchanges, {0x05, 0x06}),
            *(
                {"request": request.hex().upper(), "outcome": UNREADABLE}
                for request in survey.unreadable_tests(exchanges, bus)
            ),
        ],
    }


UNREADABLE = "unreadable"
"""Outcome of a request whose answer came, and is not laid out as the standard says."""


def unread(exchanges: Iterable[Exchange], services: Collection[int]) -> list[dict[str, str]]:
    """Return the requests of `services` whose last answer did not arrive whole, and how."""
    last = {e.request.payload: e.outcome for e in exchanges if e.request.service in services}
    return [
        {"request": payload.hex().upper(), "outcome": outcome.value}
        for payload, outcome in last.items()
        if outcome in NOT_WHOLE
    ]


def clear_document(
    evidence: Path, read_back: Path, modules: Sequence[ModuleErasure], steps: Sequence[str]
) -> dict[str, Any]:
    """Return ``obdlog.clear/1``: where the evidence is, what each module did, what is next."""
    return {
        "format": "obdlog.clear/1",
        "evidence": str(evidence),
        "read_back": str(read_back),
        "modules": [
            {
                "address": m.address,
                "name": m.name,
                "accepted": m.accepted,
                "refusal": m.refusal,
                "before": None if m.before is None else list(m.before),
                "after": None if m.after is None else list(m.after),
                "request": m.request,
                "sent": m.sent,
                "lamp": m.lamp,
            }
            for m in modules
        ],
        "next_steps": list(steps),
    }


def recording_document(recording: Recording, path: Path | None) -> dict[str, Any]:
    """Return ``obdlog.recording/1``: how a recording ended and how dense it is."""
    return {
        "format": "obdlog.recording/1",
        "file": str(path) if path else None,
        "seconds": recording.seconds,
        "exchanges": recording.exchanges,
        "readings": recording.readings,
        "readings_per_second": recording.readings_per_second,
        "limit_readings_per_second": recording.limit_readings_per_second,
        "gaps": recording.gaps,
        "lost_exchanges": recording.lost_exchanges,
        "reason": recording.reason,
    }
