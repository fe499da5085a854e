"""Results of the car's own tests by module (services 06 and 05)."""

from __future__ import annotations

from collections.abc import Sequence

from obdlog.errors import DecodeError
from obdlog.model import Bus, Exchange
from obdlog.services.onboard_tests import TestResult, parse_tests
from obdlog.services.oxygen_tests import OxygenTest, parse_oxygen_tests
from obdlog.survey.answers import classic, last_answers
from obdlog.survey.data import BITMAP_PIDS


def survey_tests(exchanges: Sequence[Exchange], bus: Bus) -> dict[str, tuple[TestResult, ...]]:
    """Return per module the service 06 results, later ones replacing earlier ones."""
    answers = last_answers(e for e in classic(exchanges) if e.request.service == 0x06)
    found: dict[str, dict[tuple[object, ...], TestResult]] = {}
    for (address, request), payloads in answers.by_request.items():
        if len(request) < 2 or request[1] in BITMAP_PIDS:
            continue
        for payload in payloads:
            try:
                results = parse_tests(payload, bus)
            except DecodeError:
                continue
            for result in results:
                # The older buses give the lower and the upper limit of a test in a record each.
                key = (result.monitor_id, result.test_id, result.component, result.low is None)
                found.setdefault(address, {})[key] = result
    return {address: tuple(results.values()) for address, results in sorted(found.items())}


def unreadable_tests(exchanges: Sequence[Exchange], bus: Bus) -> tuple[bytes, ...]:
    """Return the requests of services 06 and 05 whose last answer is not made of whole results."""
    answers = last_answers(e for e in classic(exchanges) if e.request.service in (0x05, 0x06))
    found: list[bytes] = []
    for (_, request), payloads in answers.by_request.items():
        if len(request) < 2 or request[1] in BITMAP_PIDS:
            continue
        for payload in payloads:
            try:
                if request[0] == 0x06:
                    parse_tests(payload, bus)
                else:
                    parse_oxygen_tests(payload)
            except DecodeError:
                found.append(request)
    return tuple(dict.fromkeys(found))


def survey_oxygen_tests(exchanges: Sequence[Exchange]) -> dict[str, tuple[OxygenTest, ...]]:
    """Return per module the service 05 results of the older buses, last readings only."""
    found: dict[str, dict[tuple[str, str], OxygenTest]] = {}
    for exchange in exchanges:
        if exchange.request.service != 0x05:
            continue
        for message in exchange.positive():
            try:
                tests = parse_oxygen_tests(message.payload)
            except DecodeError:
                continue
            for test in tests:
                found.setdefault(message.source, {})[test.test_id, test.sensor] = test
    return {address: tuple(tests.values()) for address, tests in sorted(found.items())}
