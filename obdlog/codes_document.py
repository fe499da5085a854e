"""The JSON document of trouble codes (``obdlog.codes/1``), as a plain dictionary; pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from obdlog import identity, survey
from obdlog.codes.judge import CodeFacts, Evidence, Judgement, judge
from obdlog.codes.meaning import describe, failure_words
from obdlog.history import NO_HISTORY, History
from obdlog.identity import ModuleIdentity
from obdlog.model import Bus, Exchange, Work
from obdlog.modules import Module
from obdlog.services.asked import reading_object, two_digits
from obdlog.services.identification import Item
from obdlog.survey import CodeRecord, ModuleCode, ModuleCodes


def codes_document(
    exchanges: Sequence[Exchange],
    bus: Bus,
    *,
    work: Work,
    voltage_v: float | None,
    protocol: str,
    read_at: str,
    history: History = NO_HISTORY,
    recorded_vin: str | None = None,
    modules: Mapping[str, Module] | None = None,
) -> dict[str, Any]:
    """Return ``obdlog.codes/1``: codes with judgement, lamps and freeze frames by module.

    Parameters
    ----------
    work
        What was unplugged and replaced: tells after-effects from faults.
    voltage_v
        Supply voltage at the connector [V].
    history
        What earlier readings of the same car showed: tells a code that came back.
    recorded_vin
        What the header of a played-back session says, for a car that was not asked.
    modules
        What a module map knows of modules, by response address: name, system, language.
    """
    read = survey.survey_codes(exchanges, bus)
    judgements = iter(_judge(exchanges, bus, read, work, voltage_v, history))
    return {
        "format": "obdlog.codes/1",
        "read_at": read_at,
        "vehicle": {
            "vin": identity.vin_of(exchanges, bus) or recorded_vin,
            "protocol": protocol,
        },
        "adapter": {"voltage": voltage_v},
        "modules": [_module(m, judgements, (modules or {}).get(m.address)) for m in read],
    }


def _module(
    module: ModuleCodes, judgements: Iterator[Judgement], known: Module | None
) -> dict[str, Any]:
    """Return one module; its judgements are the next ones, one a code."""
    return {
        "address": module.address,
        **named_facts(module, known),
        "answered": module.answered,
        "lamp": module.lamp,
        "lamp_source": module.lamp_source,
        "codes": [_code(code, next(judgements)) for code in module.codes],
        "freeze_frames": [
            {
                "code": frame.code,
                "failure_type": frame.failure_type,
                "record": two_digits(frame.record),
                "readings": [reading_object(r) for r in frame.readings],
            }
            for frame in module.freeze_frames
        ],
        "identification": identification_objects(module.identification),
        "counts": {
            "listed": len(module.codes),
            "supported": module.supported_codes,
            "not_tested": module.not_tested,
        },
        "error": module.error,
    }


def named_facts(module: ModuleCodes | ModuleIdentity, known: Module | None) -> dict[str, Any]:
    """Return name, address and language of a module, as a module map has them where it does."""
    language = known.language if known and known.language else module.language
    return {
        "name": known.name if known else module.name,
        "request": known.request if known else module.request,
        "language": language.value if language else None,
        "system": (known.system.value or None) if known else None,
    }


def _code(code: ModuleCode, judgement: Judgement) -> dict[str, Any]:
    return {
        "code": code.code,
        "status": list(code.status),
        "meaning": describe(code.code).meaning,
        "judgement": judgement.judgement.value,
        "because": judgement.because,
        "caution": judgement.caution,
        "failure_type": code.failure_type,
        "failure_meaning": failure_words(code.failure_type) or None,
        "status_byte": two_digits(code.status_byte),
        "severity": two_digits(code.severity),
        "symptom": code.symptom or None,
        "records": [_record(record) for record in code.records],
    }


def _record(record: CodeRecord) -> dict[str, Any]:
    return {
        "kind": record.kind,
        "record": two_digits(record.number),
        "hex": record.data.hex().upper(),
        "readings": [reading_object(r) for r in record.readings],
    }


def identification_objects(items: Iterable[Item]) -> list[dict[str, Any]]:
    """Return what a module says of itself; `text` is null where its bytes are no text."""
    return [
        {
            "identifier": item.identifier,
            "key": item.key or None,
            "name": item.label or None,
            "text": item.text,
            "hex": item.data.hex().upper(),
        }
        for item in items
    ]


def _judge(
    exchanges: Sequence[Exchange],
    bus: Bus,
    modules: Sequence[ModuleCodes],
    work: Work,
    voltage_v: float | None,
    history: History,
) -> list[Judgement]:
    """Return one judgement a code, module by module, in the order of the survey."""
    found = [
        CodeFacts(
            code=code.code,
            module=module.address,
            statuses=frozenset(code.status),
            failure_type=code.failure_type,
            freeze_frame={
                r.signal: r.value
                for frame in module.freeze_frames
                if frame.code == code.code and frame.failure_type in (None, code.failure_type)
                for r in frame.readings
            },
            returned_after_clear=not code.only_for_its_lamp
            and history.came_back(module.address, code.code),
        )
        for module in modules
        for code in module.codes
    ]
    readings = {
        signal: reading.value
        for of_module in reversed(survey.latest_readings(exchanges, bus).values())
        for signal, reading in of_module.items()
    }
    return judge(found, work, Evidence(readings, voltage_v))
