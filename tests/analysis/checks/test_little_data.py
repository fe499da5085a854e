"""Whatever a session lacks, every check says so: none fails on little, missing or odd data."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from analysis.checks import run_checks
from analysis.checks.registry import all_checks
from analysis.data import SessionData
from analysis.facts import VehicleFacts
from analysis.findings import Finding, Verdict, findings_json
from analysis.load import load

SAMPLES = Path(__file__).parents[3] / "sample_logs"
JUDGED = {signal for check in all_checks() for signal in check.signals}
SIGNALS = [*sorted(JUDGED), "CAT_RDY", "EVAP_RDY"]
DRIVING = ["RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "BARO", "RUNTM", "TP", "APP_D", "LOAD_PCT"]
EVERY_FACT = VehicleFacts(fuel="petrol", displacement_l=1.8, altitude_m=200.0, soak_h=10.0)
VALUES = (0.0, 1.0, 20.0, 90.0, 800.0, 3000.0, np.nan)


def assert_sound(findings: list[Finding]) -> None:
    assert {f.check for f in findings} == {check.name for check in all_checks()}
    for finding in findings:
        assert finding.because, finding.check
        if finding.verdict is not Verdict.NOT_JUDGED:
            assert np.isfinite(float(finding.measured["value"] or 0.0)), finding
            assert finding.evidence.samples > 0, finding
    findings_json(findings)


def subset(rng: np.random.Generator) -> list[str]:
    """Return a random choice of signals; half the time those that conditions are made of."""
    pool = DRIVING if rng.integers(2) else SIGNALS
    return [name for name in pool if rng.random() < rng.choice([0.2, 0.8])]


@pytest.mark.parametrize("facts", [VehicleFacts(), EVERY_FACT], ids=["no facts", "all facts"])
@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_few_readings_of_any_signals(
    build_session: Callable[..., SessionData], count: int, facts: VehicleFacts
) -> None:
    rng = np.random.default_rng(count)
    for number in range(60):
        longest_s = (5.0, 900.0)[number % 2]
        readings = {
            name: (np.sort(rng.uniform(0.0, longest_s, count)), rng.choice(VALUES, count))
            for name in subset(rng)
        }
        assert_sound(run_checks(build_session(readings), facts))


def test_one_signal_alone(build_session: Callable[..., SessionData]) -> None:
    for name in SIGNALS:
        for values in ([], [np.nan], [800.0], [0.0] * 200, [np.nan] * 200):
            assert_sound(run_checks(build_session({name: values}), EVERY_FACT))


@pytest.mark.parametrize("gone", DRIVING)
def test_a_drive_in_which_one_signal_falls_silent(
    build_session: Callable[..., SessionData], gone: str
) -> None:
    at_s = np.arange(0.0, 1200.0)
    warm = np.minimum(20.0 + at_s / 8.0, 90.0)
    speed = np.where(at_s > 30, 70.0, 0.0)
    drive = {name: (at_s, np.full(at_s.shape, 20.0)) for name in DRIVING}
    drive |= {"RPM": (at_s, 1000 + 15 * speed), "VSS": (at_s, speed), "ECT": (at_s, warm)}
    for kept in (0, 1, 5):
        left = {gone: (at_s[:kept], drive[gone][1][:kept])}
        assert_sound(run_checks(build_session(drive | left), EVERY_FACT))


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.session.jsonl")), ids=lambda p: p.name)
def test_a_session_of_codes_without_a_drive(path: Path) -> None:
    assert_sound(run_checks(load(path)))
