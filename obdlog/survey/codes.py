"""The codes of each module, whichever service and language listed them.

References
----------
SAE J1979 services 03, 07 and 0A; ISO 14229-1 service 19; ISO 14230-3 services 18, 17 and 13;
SAE J1979-2 reports 42 and 55.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from obdlog.addresses import module_name
from obdlog.model import ERASED_LATER, Bus, Exchange
from obdlog.modules import Language
from obdlog.services import scales
from obdlog.services.identification import Item
from obdlog.survey.answers import (
    Answers,
    addresses,
    asked_of,
    classic,
    language_of,
    last_answers,
    last_erases,
    legislated,
    request_of,
    without_polls,
)
from obdlog.survey.identification import survey_identification
from obdlog.survey.lists import ModuleCode, read_lists
from obdlog.survey.readiness import readiness_by_module
from obdlog.survey.records import FreezeFrame, freeze_frames, stored_records
from obdlog.survey.unread import not_again, unread_of
from obdlog.tables.decode import EMPTY, Context

_OWNER = "02"
"""PID of the code that a freeze frame belongs to."""

__all__ = ["ModuleCode", "ModuleCodes", "survey_codes"]


@dataclass(frozen=True, slots=True)
class ModuleCodes:
    """Codes, lamp and freeze frames of one module; `lamp` is None when it was not read.

    Attributes
    ----------
    answered
        Whether the module listed codes in any language.
    lamp
        What PID 01 says; of a module without it, whether any code requests a lamp. Which of the
        two, `lamp_source` tells: ``monitors`` or ``codes``.
    error
        What of the module's codes was refused or not read, of what it was asked.
    request, language
        The address it was asked at, and the language it answered in.
    supported_codes, not_tested
        How many codes the module could set, and how many of them it has not tested since codes
        were cleared; None where that was not read.
    own_tests
        By code and failure type: True where the module says that its test has completed since
        codes were cleared and has not failed, False where it says that it has not completed
        (ISO 14229-1, status bits 4 and 5). What failed or is not told is left out.
    """

    address: str
    name: str
    answered: bool
    lamp: bool | None
    codes: tuple[ModuleCode, ...]
    freeze_frames: tuple[FreezeFrame, ...] = ()
    error: str | None = None
    lamp_source: str | None = None
    request: str | None = None
    language: Language | None = None
    identification: tuple[Item, ...] = ()
    supported_codes: int | None = None
    not_tested: int | None = None
    own_tests: Mapping[tuple[str, str | None], bool] = field(default_factory=dict)

    def with_status(self, status: str) -> tuple[str, ...]:
        """Return the code texts that carry `status`."""
        return tuple(c.code for c in self.codes if status in c.status)


def survey_codes(exchanges: Sequence[Exchange], bus: Bus) -> tuple[ModuleCodes, ...]:
    """Return codes, lamp and freeze frames of each module, in address order.

    What a module said before the last erase that it accepted is no state of now: it is left out.
    """
    exchanges = classic(exchanges)
    heard = legislated(exchanges)
    asked = without_polls(exchanges)
    now = _Stretch.of(exchanges)
    since = {a: _Stretch.of(exchanges[p + 1 :]) for a, p in last_erases(exchanges).items()}
    before = {a: exchanges[:p] for a, p in last_erases(exchanges).items()}
    contexts = scales.contexts(exchanges)
    identifications = survey_identification(asked)
    return tuple(
        _module(
            address,
            asked,
            since.get(address, now),
            bus,
            before=before.get(address),
            hears_all=address in heard,
            identification=identifications.get(address, ()),
            context=contexts.get(address, EMPTY),
        )
        for address in addresses(exchanges)
    )


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Exchanges that tell the present state: all, or those since the last erase of a module."""

    asked: list[Exchange]
    answers: Answers
    lamps: Mapping[str, bool]

    @classmethod
    def of(cls, exchanges: Sequence[Exchange]) -> _Stretch:
        asked = without_polls(exchanges)
        lamps = {s: status.since_clear.lamp for s, status in readiness_by_module(exchanges).items()}
        return cls(asked, last_answers(asked), lamps)


def _module(
    address: str,
    exchanges: Sequence[Exchange],
    now: _Stretch,
    bus: Bus,
    *,
    before: Sequence[Exchange] | None,
    hears_all: bool,
    identification: tuple[Item, ...],
    context: Context,
) -> ModuleCodes:
    answers, lamp = now.answers, now.lamps.get(address)
    language = language_of(exchanges, address)
    found = read_lists(answers, address, bus)
    records = stored_records(answers, address, context)
    codes = tuple(
        replace(code, records=records.get((code.code, code.failure_type), ()))
        for code in found.codes
    )
    source = "codes" if found.lamp is not None else None
    own = {e.request.target for e in asked_of(exchanges, address, hears_all=hears_all)}
    asked = [e for e in now.asked if e.request.target in own and e.note != ERASED_LATER]
    errors = [*found.problems, *unread_of(asked, address, bus, language)]
    if before is not None:
        errors[:0] = not_again(before, asked, address, listed=found.read)
    return ModuleCodes(
        address=address,
        name=module_name(address),
        answered=found.read,
        lamp=found.lamp if lamp is None else lamp,
        codes=codes,
        freeze_frames=(
            *freeze_frames(now.asked, address, context, bus),
            *(
                FreezeFrame(code, readings, failure_type, record.number)
                for (code, failure_type), held in records.items()
                for record in held
                if (readings := tuple(r for r in record.readings if r.pid != _OWNER))
            ),
        ),
        error="; ".join(dict.fromkeys(errors)) or None,
        lamp_source=source if lamp is None else "monitors",
        request=request_of(exchanges, address),
        language=language,
        identification=identification,
        supported_codes=found.supported,
        not_tested=found.not_tested,
        own_tests=found.own_tests,
    )
