"""Every check on a drive where it stays silent and on one where it fires.

The limits are screening ranges whose sources stand beside them in docs/checks.md.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest

from analysis.checks import run_checks
from analysis.checks.registry import all_checks
from analysis.data import SessionData
from analysis.facts import VehicleFacts
from analysis.findings import Finding, Severity, Verdict

HZ = 8
PETROL = VehicleFacts(fuel="petrol", displacement_l=2.0, altitude_m=500.0, soak_h=10.0)
BUILT_CHECKS = {check.name: check for check in all_checks()}


def wave(seconds: float, middle: float, swing: float, hz: float = 1.0) -> np.ndarray:
    return middle + swing * np.sin(2 * np.pi * hz * np.arange(0, seconds, 1 / HZ) + 0.1)


def steady(seconds: float, **signals: Any) -> dict[str, Any]:
    """Return each signal at 8 Hz over `seconds`, from a number or an array."""
    at_s = np.arange(0, seconds, 1 / HZ)
    return {name: (at_s, np.broadcast_to(given, at_s.shape)) for name, given in signals.items()}


WARM = {"ECT": 90, "IAT": 25, "AAT": 20, "BARO": 95, "FUELSYS1": 2}
FLAT = {"SHRTFT1": 1, "LONGFT1": 2, "SHRTFT2": 0, "LONGFT2": 3}


def key_on(**own: Any) -> dict[str, Any]:
    base = {"RPM": 0, "VSS": 0, "VPWR": 12.6, "MAF": 0.1, "MAP": 95, "TP": 15, "RUNTM": 0}
    return steady(20, **{**WARM, "ECT": 20, "IAT": 20, "FUELSYS1": 0, **base, **own})


def cranking(**own: Any) -> dict[str, Any]:
    rpm = np.concatenate((np.zeros(80), np.full(8, 200), np.full(72, 900)))
    volts = np.where(rpm == 200, own.pop("dip", 10.5), 12.6)
    return steady(20, **{**WARM, "VSS": 0, "RPM": rpm, "VPWR": volts, **own})


def idle(**own: Any) -> dict[str, Any]:
    base = {
        "RPM": wave(60, 750, 10), "VSS": 0, "RUNTM": np.arange(480) / 8 + 600, "APP_D": 14,
        "TP": 15, "TP_R": 1, "MAP": 35, "MAF": 2.4, "SPARKADV": 10, "VPWR": 14.1,
        "O2S1_V": wave(60, 0.45, 0.4), **FLAT,
    }  # fmt: skip
    return steady(60, **{**WARM, **base, **own})


def held(**own: Any) -> dict[str, Any]:
    return idle(**{"RPM": wave(60, 2500, 20), "MAF": 8.0, **own})


def cruise(**own: Any) -> dict[str, Any]:
    # 40 kPa, 2.0 L, 2,200 rpm, 25 °C, efficiency 0.75: 12.9 g/s by the ideal gas law
    base = {
        "RPM": 2200, "VSS": 90, "LOAD_PCT": 35, "RUNTM": np.arange(480) / 8 + 600, "MAP": 40,
        "MAF": 12.9, "LOAD_ABS": 29.7, "VPWR": 14.1, "CATEMP11": 600, "WO2S1_LAMBDA_C": 1.0,
        "EGR_PCT": 0, "EGR_ERR": 0, **FLAT, "SHRTFT1": wave(60, 0, 3), "SHRTFT2": wave(60, 0, 3),
    }  # fmt: skip
    return steady(60, **{**WARM, **base, **own})


def full_throttle(**own: Any) -> dict[str, Any]:
    pedal = np.concatenate((np.full(80, 20), np.full(40, 90), np.full(40, 20)))
    rpm = np.concatenate((np.full(80, 2000), np.linspace(2500, 4500, 40), np.full(40, 2000)))
    # filling 0.8 at 95 kPa and 25 °C: 0.8 × 1.11 g/L × 2.0 L × rpm / 120
    base = {"APP_D": pedal, "RPM": rpm, "MAF": rpm * 0.0148, "LOAD_PCT": pedal + 8, "VSS": 60}
    return steady(20, **{**WARM, **base, **own})


def long_drive(**own: Any) -> dict[str, Any]:
    at_s = np.arange(0, 1000.0)
    base = {"RPM": 2000, "VSS": 70, "RUNTM": at_s + 1300, "ECT": 90, "VPWR": 14.1}
    values = {**WARM, **base, **own}
    return {name: (at_s, np.broadcast_to(given, at_s.shape)) for name, given in values.items()}


def cold_start(minutes_to_warm: float, **own: Any) -> dict[str, Any]:
    at_s = np.arange(0, 1800.0)
    coolant = np.minimum(20 + 60 * at_s / (minutes_to_warm * 60) * 55 / 60, 88)
    base = {"RPM": 1800, "VSS": 50, "ECT": coolant, "AAT": 15, "RUNTM": at_s}
    return {
        name: (at_s, np.broadcast_to(given, at_s.shape)) for name, given in {**base, **own}.items()
    }


def travel(first: str, second: str, bend: float) -> dict[str, Any]:
    """Return two tracks that follow each other at half scale, the second bent by `bend` points."""
    steps = np.repeat(np.linspace(10, 90, 9), 40)
    other = steps / 2 + np.where(steps > 55, bend, 0)
    return steady(45, **{first: steps, second: other, "RPM": 800, "VSS": 0})


def learning(warm_ups: float, km: float, ready: float) -> dict[str, Any]:
    at_s = [0.0, 1.0, 2.0]
    names = {"WARM_UPS": warm_ups, "CLR_DIST": km, "CAT_RDY": ready, "EVAP_RDY": 1}
    return {name: (at_s, [value] * 3) for name, value in names.items()}


class Case(NamedTuple):
    check: str
    silent: dict[str, Any]
    fires: dict[str, Any]
    severity: Severity
    facts: VehicleFacts = PETROL


INFO, WATCH, ATTENTION, STOP = Severity
LATE = np.concatenate((np.full(240, 90), np.full(240, 122)))
STALLED = np.minimum(20 + np.arange(1800) / 20, 55) + np.where(np.arange(1800) > 1300, 30, 0)

CASES = [
    Case("rest-voltage", key_on(), key_on(VPWR=12.2), WATCH),
    Case("rest-voltage", key_on(), key_on(VPWR=11.8), ATTENTION),
    Case("rest-voltage", key_on(), key_on(VPWR=12.95), INFO),
    Case("cranking-voltage", cranking(), cranking(dip=9.3), WATCH),
    Case("cranking-voltage", cranking(), cranking(dip=8.5), ATTENTION),
    Case("overvoltage", idle(), idle(VPWR=15.8), ATTENTION),
    Case("coolant-circuit", idle(), idle(ECT=-40), ATTENTION),
    Case("coolant-circuit", idle(), idle(ECT=145), ATTENTION),
    Case("intake-circuit", idle(), idle(IAT=-40), ATTENTION),
    Case("ambient-circuit", idle(), idle(AAT=-40), ATTENTION),
    Case("overheat", idle(), idle(ECT=116), ATTENTION),
    Case("overheat", idle(), idle(ECT=LATE), STOP),
    Case("coolant-plateau", long_drive(), long_drive(ECT=70), WATCH),
    Case("coolant-plateau", long_drive(), long_drive(ECT=79), INFO),
    Case("coolant-steady", long_drive(), long_drive(ECT=np.repeat([80, 95], 500)), INFO),
    Case("idle-speed", idle(), idle(RPM=wave(60, 1000, 5)), WATCH),
    Case("idle-stability", idle(), idle(RPM=wave(60, 750, 80)), WATCH),
    Case("idle-manifold-pressure", idle(), idle(MAP=55), WATCH),
    Case("idle-ignition-advance", idle(), idle(SPARKADV=-5), INFO),
    Case("airflow-key-on", key_on(), key_on(MAF=1.6), WATCH),
    Case("airflow-circuit", idle(), idle(MAF=0), ATTENTION),
    Case("throttle-at-rest", idle(), idle(TP=28), WATCH),
    Case("throttle-at-rest", key_on(), key_on(TP=2), WATCH),
    Case("relative-throttle-at-rest", idle(), idle(TP_R=9), WATCH),
    Case("full-load", full_throttle(), full_throttle(LOAD_PCT=70), WATCH),
    Case("short-trim-activity", cruise(), cruise(SHRTFT2=0), WATCH),
    Case("short-trim-limit", idle(), idle(SHRTFT1=25), WATCH),
    Case("wide-range-lambda", cruise(), cruise(WO2S1_LAMBDA_C=1.08), WATCH),
    Case("catalyst-temperature", cruise(), cruise(CATEMP11=300), INFO),
    Case("catalyst-overheat", cruise(), cruise(CATEMP11=980), STOP),
    Case("egr-error", cruise(EGR_PCT=20), cruise(EGR_PCT=20, EGR_ERR=-60), WATCH),
    Case("charging-voltage", long_drive(), long_drive(VPWR=12.6), WATCH),
    Case("charging-voltage", long_drive(), long_drive(VPWR=11.7), ATTENTION),
    Case("cold-equality", key_on(), key_on(IAT=27), WATCH),
    Case("cold-equality", key_on(), key_on(ECT=35), ATTENTION),
    Case("warm-up", cold_start(6), cold_start(22), WATCH),
    Case("warm-up", cold_start(6), cold_start(6, ECT=STALLED), WATCH),
    Case("intake-rise", cruise(), cruise(IAT=45), INFO),
    Case("loop-status", idle(), long_drive(FUELSYS1=1), WATCH),
    Case("loop-status", idle(), idle(FUELSYS1=8), ATTENTION),
    Case("fuel-trim-total", idle(), idle(LONGFT1=11), WATCH),
    Case("fuel-trim-total", held(), held(LONGFT2=-18), ATTENTION),
    Case("fuel-trim-total", cruise(), cruise(LONGFT1=20), ATTENTION),
    Case("fuel-trim-banks", idle(), idle(LONGFT2=-6), WATCH),
    Case("idle-airflow", idle(), idle(MAF=1.0), WATCH),
    Case("held-airflow", held(), held(MAF=3.0), WATCH),
    Case("airflow-speed-density", cruise(), cruise(MAF=5.0), WATCH),
    Case("absolute-load", cruise(), cruise(LOAD_ABS=40), INFO),
    Case("full-throttle-filling", full_throttle(), full_throttle(MAF=30), ATTENTION),
    Case("key-on-pressure", key_on(), key_on(MAP=99), WATCH),
    Case("key-on-pressure", key_on(), key_on(MAP=88), ATTENTION),
    Case("barometer-altitude", idle(), idle(BARO=101), WATCH),
    Case("throttle-tracks", travel("TP", "TP_B", 0), travel("TP", "TP_B", 20), ATTENTION),
    Case("pedal-tracks", travel("APP_D", "APP_E", 0), travel("APP_D", "APP_E", 20), ATTENTION),
    Case("oxygen-switching", idle(), idle(O2S1_V=wave(60, 0.45, 0.4, 0.05)), WATCH),
    Case("oxygen-switching", idle(), idle(O2S1_V=0.44), WATCH),
    Case("speed-steps", idle(), idle(VSS=np.where(np.arange(480) == 200, 60, 0)), ATTENTION),
    Case("run-time", idle(), idle(RUNTM=np.tile(np.arange(240) / 8, 2)), INFO),
    Case("recent-clear", learning(40, 900, 0), learning(1, 12, 0), INFO),
]


@pytest.fixture
def judge(build_session: Callable[..., SessionData]):
    def run(signals: dict[str, Any], facts: VehicleFacts, check: str, **more) -> list[Finding]:
        findings = run_checks(build_session(signals), facts, **more)
        return [finding for finding in findings if finding.check == check]

    return run


@pytest.mark.parametrize("case", CASES, ids=[f"{c.check}-{n}" for n, c in enumerate(CASES)])
def test_silent_on_one_drive_and_firing_on_another(judge, case):
    silent = judge(case.silent, case.facts, case.check)
    assert {f.verdict for f in silent} == {Verdict.INSIDE}, [f.because for f in silent]
    assert {f.severity for f in silent} == {Severity.INFO}
    outside = [f for f in judge(case.fires, case.facts, case.check) if f.verdict is Verdict.OUTSIDE]
    assert outside, [f.because for f in judge(case.fires, case.facts, case.check)]
    assert case.severity in {f.severity for f in outside}
    for finding in (*silent, *outside):
        assert finding.expected.source
        assert finding.evidence.samples > 0
        assert finding.evidence.first_s is not None
        assert finding.measured["unit"] == finding.expected.unit
    assert all(f.suggests and f.confounders for f in outside)


def test_every_check_has_a_case():
    assert {case.check for case in CASES} == set(BUILT_CHECKS)


def test_nothing_is_judged_without_readings(build_session):
    findings = run_checks(build_session({}), PETROL)
    assert {f.verdict for f in findings} == {Verdict.NOT_JUDGED}
    assert all(f.because for f in findings)
    assert {f.check for f in findings} == set(BUILT_CHECKS)


PETROL_ONLY = sorted(name for name, check in BUILT_CHECKS.items() if check.fuel)


@pytest.mark.parametrize("name", PETROL_ONLY)
@pytest.mark.parametrize(
    ("facts", "says"),
    [
        (VehicleFacts(displacement_l=2.0), "the fuel is not known"),
        (VehicleFacts(fuel="diesel", fuel_source="stated by the user"), "this fuel is diesel"),
    ],
)
def test_petrol_rules_wait_for_petrol(judge, name, facts, says):
    case = next(case for case in CASES if case.check == name)
    (finding,) = judge(case.fires, facts, name)
    assert finding.verdict is Verdict.NOT_JUDGED
    assert says in finding.because


def test_too_few_readings_are_not_judged(judge):
    few = {name: (at_s[::80], value[::80]) for name, (at_s, value) in idle().items()}
    (finding,) = judge(few | {"MAP": ([0.0, 59.0], [35, 35])}, PETROL, "idle-manifold-pressure")
    assert finding.verdict is Verdict.NOT_JUDGED


def test_switching_is_not_judged_when_read_too_slowly(judge):
    slow = idle()
    at_s, volts = slow["O2S1_V"]
    slow["O2S1_V"] = (at_s[::2], volts[::2])  # 4 Hz, below the 5 Hz that the check needs
    (finding,) = judge(slow, PETROL, "oxygen-switching")
    assert finding.verdict is Verdict.NOT_JUDGED
    assert "4.0 times a second" in finding.because


def test_one_odd_reading_is_no_extreme(judge):
    coolant = np.full(480, 90.0)
    coolant[100] = -40
    (finding,) = judge(idle(ECT=coolant), PETROL, "coolant-circuit")
    assert finding.verdict is Verdict.INSIDE


def test_charging_by_demand_is_recognised(judge):
    # low at idle, high in overrun: normal for controlled charging (makers' data)
    base = long_drive(RPM=1800, APP_D=20)
    at_s = base["RPM"][0]
    overrun = (at_s > 300) & (at_s < 400)
    standing = at_s > 900
    signals = base | {
        "APP_D": (at_s, np.where(overrun | standing, 14, 25)),
        "FUELSYS1": (at_s, np.where(overrun, 4, 2)),
        "VPWR": (at_s, np.where(overrun, 14.9, 12.7)),
        "VSS": (at_s, np.where(standing, 0, 70)),
        "RPM": (at_s, np.where(standing, 750, 1800)),
    }
    (finding,) = judge(signals, PETROL, "charging-voltage")
    assert finding.verdict is Verdict.INSIDE
    assert finding.measured["controlled"] is True


def test_a_boosted_engine_is_not_judged_by_its_filling(judge):
    facts = VehicleFacts(fuel="petrol", displacement_l=2.0, altitude_m=0.0, boosted=True)
    (finding,) = judge(full_throttle(), facts, "full-throttle-filling")
    assert "boosted" in finding.because


def test_fuel_trim_says_when_nothing_was_learned_yet(judge):
    found = judge(idle(WARM_UPS=1), PETROL, "fuel-trim-total")
    assert all("not learned yet" in finding.because for finding in found)
    assert {finding.measured["bank"] for finding in found} == {1, 2}


def test_no_wording_condemns_a_part():
    for check in BUILT_CHECKS.values():
        text = " ".join((check.title, check.why, *check.suggests, *check.confounders)).lower()
        assert "faulty" not in text
        assert "defective" not in text
        assert "replace " not in text


def test_the_note_on_clearing_says_when_the_monitors_were_asked(judge):
    at_s = np.arange(0.0, 841.0)
    drive = {"RPM": (at_s, np.full(at_s.shape, 800.0)), "WARM_UPS": ([0.0, 1.0], [0.0, 0.0])}
    for asked_s, words in ((0.2, "at the start of this log of 14 min"), (420.0, "7 min into this")):
        ready = {"CAT_RDY": ([asked_s], [0.0]), "EVAP_RDY": ([asked_s], [0.0])}
        (note,) = judge(drive | ready, PETROL, "recent-clear")
        assert "2 monitors not complete when last asked, " + words in note.because
        assert note.because.endswith("; expected none")
        assert (note.verdict, note.severity) == (Verdict.OUTSIDE, Severity.INFO)
