"""What a list of exchanges says about a car: codes, readiness, identity, test results.

Pure functions, so that a live reading and a recorded session go through the same code. Where a
request was asked more than once, the last answer of each module counts. Exchanges of SAE J1979-2
(service 22, F4xx, F6xx, F8xx) count as those of SAE J1979 that they stand for.
"""

from __future__ import annotations

from obdlog.survey.answers import (
    CODE_SERVICES,
    addresses,
    answered,
    language_of,
    legislated,
    refusal_meaning,
    request_of,
    without_polls,
)
from obdlog.survey.codes import ModuleCode, ModuleCodes, survey_codes
from obdlog.survey.data import (
    BITMAP_PIDS,
    further_data,
    latest_data,
    latest_readings,
    merged_monitors,
    supported,
)
from obdlog.survey.identification import survey_identification
from obdlog.survey.readiness import (
    Counters,
    ModuleReadiness,
    survey_counters,
    survey_readiness,
    survey_readiness_groups,
)
from obdlog.survey.records import CodeRecord, FreezeFrame
from obdlog.survey.results import survey_oxygen_tests, survey_tests, unreadable_tests
from obdlog.survey.unread import code_kinds

__all__ = [
    "BITMAP_PIDS",
    "CODE_SERVICES",
    "CodeRecord",
    "Counters",
    "FreezeFrame",
    "ModuleCode",
    "ModuleCodes",
    "ModuleReadiness",
    "addresses",
    "answered",
    "code_kinds",
    "further_data",
    "language_of",
    "latest_data",
    "latest_readings",
    "legislated",
    "merged_monitors",
    "refusal_meaning",
    "request_of",
    "supported",
    "survey_codes",
    "survey_counters",
    "survey_identification",
    "survey_oxygen_tests",
    "survey_readiness",
    "survey_readiness_groups",
    "survey_tests",
    "unreadable_tests",
    "without_polls",
]
