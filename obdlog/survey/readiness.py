"""Monitors and counters by module, and the readiness groups of SAE J1979-2."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from obdlog.addresses import module_name
from obdlog.errors import DecodeError
from obdlog.model import Bus, Exchange
from obdlog.services import trouble_reports
from obdlog.services.code_reply import Code
from obdlog.services.codes import read_codes
from obdlog.survey.answers import last_answers
from obdlog.survey.data import latest_data, latest_readings
from obdlog.tables.monitors import MonitorStatus, decode_monitors


@dataclass(frozen=True, slots=True)
class ModuleReadiness:
    """Monitors since clearing and this drive, as one module reports them."""

    address: str
    name: str
    since_clear: MonitorStatus
    this_drive: MonitorStatus | None = None


@dataclass(frozen=True, slots=True)
class Counters:
    """How long ago the memory was cleared, in the largest terms any module reports."""

    warm_ups_since_clear: int | None = None
    distance_since_clear_km: int | None = None
    minutes_since_clear: int | None = None
    distance_with_lamp_km: int | None = None
    minutes_with_lamp: int | None = None


def readiness_by_module(exchanges: Sequence[Exchange]) -> dict[str, ModuleReadiness]:
    """Return the monitors of each module that reports them."""
    found: dict[str, ModuleReadiness] = {}
    for address, data in latest_data(exchanges).items():
        if len(data.get(0x01, b"")) != 4:
            continue
        this_drive = data.get(0x41, b"")
        found[address] = ModuleReadiness(
            address,
            module_name(address),
            decode_monitors(data[0x01]),
            decode_monitors(this_drive, this_drive=True) if len(this_drive) == 4 else None,
        )
    return found


def survey_readiness(exchanges: Sequence[Exchange]) -> tuple[ModuleReadiness, ...]:
    """Return the monitors of each module that reports them, in address order."""
    return tuple(status for _, status in sorted(readiness_by_module(exchanges).items()))


def survey_counters(exchanges: Sequence[Exchange], bus: Bus) -> Counters:
    """Return the counters since clearing; of several modules the largest figure counts."""
    largest: dict[str, int] = {}
    for readings in latest_readings(exchanges, bus).values():
        for signal, reading in readings.items():
            if isinstance(reading.value, (int, float)) and not isinstance(reading.value, bool):
                largest[signal] = max(largest.get(signal, 0), int(reading.value))
    return Counters(
        warm_ups_since_clear=largest.get("WARM_UPS"),
        distance_since_clear_km=largest.get("CLR_DIST"),
        minutes_since_clear=largest.get("CLR_TIME"),
        distance_with_lamp_km=largest.get("MIL_DIST"),
        minutes_with_lamp=largest.get("MIL_TIME"),
    )


def survey_readiness_groups(
    exchanges: Iterable[Exchange],
) -> dict[str, dict[int, tuple[Code, ...]]]:
    """Return per module and readiness group its codes with their status (report 56).

    What the groups stand for is not public, so no monitor is told from them (SAE J1979-2).
    """
    found: dict[str, dict[int, tuple[Code, ...]]] = {}
    for (address, request), payloads in last_answers(exchanges).by_request.items():
        if request[:2] != bytes([trouble_reports.SERVICE, trouble_reports.READINESS]):
            continue
        for payload in payloads:
            try:
                reply = read_codes(payload)
            except DecodeError:
                continue
            if reply.readiness_group is not None:
                held = found.setdefault(address, {}).get(reply.readiness_group, ())
                found[address][reply.readiness_group] = (*held, *reply.codes)
    return dict(sorted(found.items()))
