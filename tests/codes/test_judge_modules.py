"""Codes of brake, restraint and body modules: judged as far as the stated work reaches.

The rules are common practice, no source; codes and places as in the public lists of SAE-J2012.
"""

from __future__ import annotations

import pytest

from obdlog.codes.judge import CodeFacts, Verdict, judge
from obdlog.codes.work import match_work
from obdlog.model import Work

BRAKES, RESTRAINTS = "7B8", "73F"
STORED = frozenset({"confirmed"})
NOW = frozenset({"confirmed", "failing-now", "lamp-requested"})
ERASED = frozenset({"lamp-requested", "not-tested", "not-tested-this-cycle"})


def verdicts(*codes: CodeFacts, unplugged: tuple[str, ...] = ()) -> dict[str, Verdict]:
    return {j.code: j.judgement for j in judge(list(codes), Work(unplugged=unplugged))}


def brakes(code: str, statuses: frozenset[str] = STORED) -> CodeFacts:
    return CodeFacts(code, BRAKES, statuses, "00")


def restraints(code: str, statuses: frozenset[str] = STORED) -> CodeFacts:
    return CodeFacts(code, RESTRAINTS, statuses, "00")


@pytest.mark.parametrize(
    ("code", "unplugged", "verdict"),
    [
        (brakes("C0031"), "front left wheel speed sensor", Verdict.AFTER_EFFECT),
        (brakes("C0034"), "front left wheel speed sensor", Verdict.FAULT),
        (brakes("C0037"), "front left wheel speed sensor", Verdict.FAULT),
        (brakes("C0037"), "rear left wheel speed sensor", Verdict.AFTER_EFFECT),
        (brakes("C0034"), "wheel speed sensors left and right", Verdict.AFTER_EFFECT),
        (brakes("C0031"), "wheel speed sensor", Verdict.AFTER_EFFECT),
        (brakes("C0031", NOW), "wheel speed sensor", Verdict.FAULT),
        (brakes("C0031"), "airflow meter", Verdict.FAULT),
        (restraints("B0001"), "driver airbag", Verdict.AFTER_EFFECT),
        (restraints("B0001"), "passenger airbag", Verdict.FAULT),
        (restraints("B0020"), "left side airbag", Verdict.AFTER_EFFECT),
        (restraints("B0028"), "left side airbag", Verdict.FAULT),
        (restraints("B0052"), "driver seat", Verdict.FAULT),
        (restraints("B0052"), "passenger seat belt", Verdict.AFTER_EFFECT),
        (brakes("U0100"), "battery", Verdict.AFTER_EFFECT),
    ],
    ids=lambda value: value.code if isinstance(value, CodeFacts) else str(value),
)
def test_work_explains_what_it_touched_and_no_other_side(
    code: CodeFacts, unplugged: str, verdict: Verdict
) -> None:
    assert verdicts(code, unplugged=(unplugged,)) == {code.code: verdict}


def test_what_others_say_of_a_module_follows_from_its_own_code() -> None:
    """U0415: invalid data received from the brake module; C0031: its own wheel speed sensor."""
    found = verdicts(brakes("C0031", NOW), restraints("U0415"))
    assert found == {"C0031": Verdict.FAULT, "U0415": Verdict.FOLLOW_ON}


def test_what_others_miss_of_a_module_does_not_explain_its_own_circuit() -> None:
    """U0121: communication with the brake module lost, noted by two others."""
    found = verdicts(brakes("C0034"), restraints("U0121"), CodeFacts("U0121", "7E8", STORED))
    assert found["C0034"] is Verdict.FAULT


def test_what_a_module_misses_may_explain_its_own_codes() -> None:
    """P0500, vehicle speed, in the engine's module beside its own U0121."""
    found = verdicts(CodeFacts("U0121", "7E8", STORED), CodeFacts("P0500", "7E8", STORED))
    assert found["P0500"] is Verdict.FOLLOW_ON


def test_a_lamp_that_waits_for_the_key_cycle_is_no_fault() -> None:
    assert verdicts(brakes("C0031", ERASED)) == {"C0031": Verdict.UNDECIDED}


def test_a_code_of_the_makers_own_stays_open_beside_work() -> None:
    assert verdicts(brakes("C1234"), unplugged=("brake pads",)) == {"C1234": Verdict.UNDECIDED}


@pytest.mark.parametrize("code", [brakes("C0031"), restraints("B0001")])
def test_brakes_and_restraints_never_go_without_their_caution(code: CodeFacts) -> None:
    (judgement,) = judge([code])
    assert judgement.caution


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("front left wheel speed sensor", {("side", "left"), ("end", "front")}),
        ("rear wheel speed sensors", {("end", "rear")}),
        ("left and right airbag", set()),
        ("driver seat belt", {("seat", "driver")}),
        ("injector 3", {("cylinder", "3")}),
    ],
)
def test_places_said_with_the_work(text: str, places: set[tuple[str, str]]) -> None:
    (item,) = match_work(Work(unplugged=(text,)))
    assert set(item.places) == places


@pytest.mark.parametrize(
    ("other", "verdict"),
    [
        (CodeFacts("P0102", "7E8", STORED), Verdict.FOLLOW_ON),
        (CodeFacts("P0102", "18DAF110", STORED), Verdict.FOLLOW_ON),
        (CodeFacts("P0102", "7E8", frozenset({"pending"})), Verdict.FAULT),
        (CodeFacts("P0720", "7E9", STORED), Verdict.FAULT),  # not the module that is blamed
        (CodeFacts("U0121", "7E8", STORED), Verdict.FAULT),
    ],
)
def test_data_that_are_rejected_follow_from_their_senders_own_fault(other, verdict):
    assert verdicts(brakes("U0401"), other)["U0401"] is verdict
