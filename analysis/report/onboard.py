"""On-board test results (service 06) beside the trouble code that they belong to."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.compare.families import family_of
from analysis.compare.model import Document
from analysis.report import words

SYSTEMS = (
    (0x01, 0x10, ("oxygen-sensor", "exhaust-gas-sensor")),
    (0x21, 0x24, ("catalyst", "nmhc-catalyst")),
    (0x31, 0x38, ("egr-vvt",)),
    (0x39, 0x3D, ("evaporative-system",)),
    (0x41, 0x50, ("oxygen-sensor-heater",)),
    (0x61, 0x64, ("heated-catalyst",)),
    (0x71, 0x74, ("secondary-air",)),
    (0x81, 0x84, ("fuel-system",)),
    (0x85, 0x88, ("boost-pressure",)),
    (0x90, 0x99, ("nox-scr",)),
    (0xA1, 0xAF, ("misfire",)),
    (0xB2, 0xB3, ("pm-filter",)),
)
"""Which readiness monitors a range of test monitors belongs to (SAE J1979 Appendix D).

B0 and B1 are left out: filters in one edition, misfire in another.
"""


@dataclass(frozen=True, slots=True)
class FailedTest:
    """A test outside the maker's limits: what it tested, and its result in words."""

    monitor: str
    result: str


def failed_tests(address: str, code: str, tests: Document | None) -> tuple[FailedTest, ...]:
    """Return the failed tests of the system that `code` of the module is about."""
    family = family_of(code)
    if family is None:
        return ()
    return tuple(
        _failed(test)
        for module in (tests or {}).get("modules", ())
        if str(module.get("address")) == address
        for test in module.get("tests", ())
        if test.get("result") == "fail" and set(_systems(test)) & set(family.monitors)
    )


def _systems(test: Document) -> tuple[str, ...]:
    try:
        number = int(str(test.get("monitor_id")), 16)
    except ValueError:
        return ()
    return next((names for first, last, names in SYSTEMS if first <= number <= last), ())


def _failed(test: Document) -> FailedTest:
    unit = str(test.get("unit") or "")
    low, high = test.get("low"), test.get("high")
    value = words.number(test.get("value"), unit, limits=(low, high))
    return FailedTest(
        str(test.get("monitor") or f"monitor {test.get('monitor_id')}"),
        f"{value}, limits {words.span(low, high, unit)}",
    )
