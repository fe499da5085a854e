"""Before and after: what became of each code, and when a repair counts as proven."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.checks.registry import all_checks
from analysis.compare import CaseSide, Verdict, compare, summarise_drive
from analysis.compare.families import families, families_named, family_of
from analysis.data import SessionData
from analysis.findings import Evidence, Finding, Severity
from analysis.findings import Verdict as Outcome
from obdlog.model import Work
from obdlog.tables.signals import by_name

NAMES = {
    "misfire", "fuel-system", "components", "catalyst", "heated-catalyst", "evaporative-system",
    "secondary-air", "oxygen-sensor", "oxygen-sensor-heater", "egr-vvt", "nmhc-catalyst",
    "nox-scr", "boost-pressure", "exhaust-gas-sensor", "pm-filter",
}  # fmt: skip
"""Monitors of SAE J1979 PID 01, bytes B to D, both ignition types."""


def codes(*modules, read_at="2026-03-01T12:00:00Z"):
    return {"format": "obdlog.codes/1", "read_at": read_at, "modules": list(modules)}


def module(address="7E8", *found, answered=True, error=None, lamp=False):
    return {
        "address": address,
        "name": "engine",
        "answered": answered,
        "lamp": lamp,
        "codes": list(found),
        "freeze_frames": [],
        "error": error,
    }


def code(text, *status, judgement="fault"):
    return {
        "code": text,
        "status": list(status or ("confirmed",)),
        "meaning": f"meaning of {text}",
        "judgement": judgement,
        "because": "reason",
        "failure_type": None,
    }


def ready(counters=None, address="7E8", this_drive=(), **monitors):
    complete = {"components": True, "fuel-system": True, **monitors}
    return {
        "modules": [
            {
                "address": address,
                "monitors": [
                    {"monitor": name, "supported": done is not None, "complete": bool(done)}
                    for name, done in complete.items()
                ],
                "this_drive": list(this_drive),
            }
        ],
        "counters": counters or {},
    }


def drive(started="2026-03-01T10:00:00Z", idle_s=60, moving_s=900, rpm=1500.0, hole_s=0):
    """A drive: idle at standstill, then 60 km/h, one reading a second, perhaps a hole in it."""
    at = np.arange(0.0, idle_s + moving_s)
    at[at.size // 2 :] += hole_s
    speed = np.where(np.arange(at.size) < idle_s, 0.0, 60.0)
    frames = [
        pd.DataFrame({"at_s": at, "signal": "VSS", "value": speed}),
        pd.DataFrame({"at_s": at, "signal": "RPM", "value": np.full(at.size, rpm)}),
    ]
    readings = pd.concat(frames).sort_values("at_s", kind="stable").reset_index(drop=True)
    readings.insert(1, "source", pd.Categorical(["7E8"] * len(readings)))
    readings["signal"] = readings["signal"].astype("category")
    header = {"started": started} if started else {}
    return SessionData(
        Path("road.session.jsonl"), header, readings, end_s=float(at[-1]) if at.size else 0.0
    )


def finding(signal="MAF", verdict=Outcome.INSIDE, severity=Severity.INFO):
    return Finding(
        "idle-airflow", "Airflow at idle", verdict, severity, signal,
        evidence=Evidence(20.0, 40, 12.0, None), because="why",
    )  # fmt: skip


BEFORE = CaseSide(codes(module("7E8", code("P0102")), read_at="2026-03-01T09:00:00Z"), ready())
WIPED = {"warm_ups_since_clear": 1, "distance_since_clear_km": 15}
OLD = {"warm_ups_since_clear": 40, "distance_since_clear_km": 2000}


def after(found=(), readiness=None, data="drive", findings=None, **reading):
    return CaseSide(
        codes(module("7E8", *found), **reading),
        ready() if readiness is None else readiness,
        drive() if data == "drive" else data,
        [finding()] if findings is None else findings,
    )


def verdict_of(before, later, work=None, item=0):
    return compare(before, later, work).repair[item]


def test_the_result_has_the_contracts_keys_and_is_plain_json():
    result = json.loads(json.dumps(compare(BEFORE, after(), Work(("MAF",), ())).to_json()))
    assert result["format"] == "obdlog.compare/1"
    assert {"gone", "remaining", "new", "signals", "repair"} <= result.keys()
    assert [r["item"] for r in result["repair"]] == ["P0102", "MAF (unplugged)"]
    requirement = result["repair"][0]["requirements"][0]
    assert requirement.keys() == {"text", "met", "evidence"}
    gone = result["gone"][0]
    assert (gone["code"], gone["address"], gone["before"], gone["after"]) == (
        "P0102", "7E8", ["confirmed"], [],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("earlier", "later", "expected"),
    [
        ([module("7E8", code("P0102"))], [module("7E8")], {"gone": ["P0102"]}),
        (
            [module("7E8", code("P0102"))],
            [module("7E8", code("P0102", "pending"))],
            {"remaining": ["P0102"]},
        ),
        ([module("7E8")], [module("7E8", code("U0121"))], {"new": ["U0121"]}),
        # A module that is silent afterwards is not clean.
        ([module("7E8", code("P0102"))], [], {"not_read_again": ["P0102"]}),
        (
            [module("7E8", code("P0102"))],
            [module("7E8", answered=False)],
            {"not_read_again": ["P0102"]},
        ),
        (
            [module("7E8", code("P0102"))],
            [module("7E8", error="refused")],
            {"not_read_again": ["P0102"]},
        ),
        # The same code in another module is another code.
        (
            [module("7E8", code("U0100"))],
            [module("7E8"), module("7EA", code("U0100"))],
            {"gone": ["U0100"], "new": ["U0100"]},
        ),
        # A status record that only says "not tested" is no code (ISO 14229-1 status bits 4, 6).
        (
            [module("7E8", code("P0102"))],
            [module("7E8", code("P0102", "not-tested"))],
            {"gone": ["P0102"]},
        ),
    ],
)
def test_what_became_of_each_code(earlier, later, expected):
    result = compare(CaseSide(codes(*earlier)), CaseSide(codes(*later))).to_json()
    lists = ("gone", "remaining", "new", "not_read_again")
    assert {k: [c["code"] for c in result[k]] for k in lists if result[k]} == expected


def test_nothing_is_called_gone_without_a_second_reading():
    assert compare(BEFORE, CaseSide()).codes == ()


class TestVerdict:
    def test_all_requirements_met_is_proven(self):
        item = verdict_of(BEFORE, after())
        assert [r.met for r in item.requirements] == [True] * 5
        assert item.verdict is Verdict.PROVEN
        assert item.missing == ()

    @pytest.mark.parametrize(
        ("later", "verdict", "open_point"),
        [
            (after([code("P0102")]), "not-proven", "erased in between is not known"),
            (after([code("P0102", "pending")]), "contradicted", "present again (pending)"),
            (
                after(findings=[finding(verdict=Outcome.OUTSIDE, severity=Severity.ATTENTION)]),
                "contradicted",
                "outside: Airflow at idle (from 12 s)",
            ),
            (
                after(findings=[finding(verdict=Outcome.OUTSIDE, severity=Severity.WATCH)]),
                "not-proven",
                "outside, to be watched",
            ),
            (
                after(findings=[finding(verdict=Outcome.NOT_JUDGED)]),
                "not-proven",
                "not judged: why",
            ),
            (after(findings=[]), "not-proven", "no check of air mass flow"),
            (
                after(findings=[replace(finding("ECT"), check="overheat")]),
                "not-proven",
                "no check of air mass flow",
            ),
            (after(readiness=ready(components=False)), "not-proven", "not complete yet"),
            (after(readiness=ready(components=None)), "not-proven", "no such monitor"),
            (after([code("P0102", "permanent")]), "not-proven", "only the car's own passed test"),
            (after(data=None), "not-proven", "no drive was recorded"),
            (after(data=drive(moving_s=200)), "not-proven", "engine running 259 s"),
            (after(data=drive(idle_s=5)), "not-proven", "longest idle 5 s"),
            (after(data=drive(started="")), "not-proven", "is not known"),
            (after(read_at="2026-03-01T10:05:00Z"), "not-proven", "read them again"),
            (CaseSide(), "not-proven", "no code reading after the work"),
            (
                CaseSide(codes(module("7E8", answered=False)), ready(), drive(), [finding()]),
                "not-proven",
                "engine (7E8) was not read after the work",
            ),
        ],
    )
    def test_what_is_missing_or_against_it_is_said(self, later, verdict, open_point):
        item = verdict_of(BEFORE, later)
        assert item.verdict == verdict
        assert open_point in "; ".join(r.evidence for r in item.requirements if r.met is not True)

    def test_missing_evidence_is_null_not_false(self):
        item = verdict_of(BEFORE, CaseSide())
        assert {r.met for r in item.requirements} == {None}

    def test_an_old_record_without_an_erase_does_not_contradict(self):
        # Counters that went on counting show that nothing was erased (SAE J1979 PIDs 30, 31).
        before = CaseSide(BEFORE.codes, ready(OLD))
        later = after([code("P0102")], ready({**OLD, "distance_since_clear_km": 2020}))
        item = verdict_of(before, later)
        assert item.verdict is Verdict.NOT_PROVEN
        assert "the counters do not show an erase" in item.requirements[0].evidence

    def test_it_contradicts_after_an_erase_or_when_the_test_fails_now(self):
        before = CaseSide(BEFORE.codes, ready(OLD))
        assert verdict_of(before, after([code("P0102")], ready(WIPED))).verdict == "contradicted"
        failing = after([code("P0102", "confirmed", "pending")], ready(OLD))
        assert verdict_of(before, failing).verdict == "contradicted"

    @pytest.mark.parametrize("work", [Work(), Work((), ("MAF",))])
    def test_an_erase_on_record_outweighs_counters_that_have_outgrown_the_old_ones(self, work):
        # 5 km before, erased, 80 km after: PID 31 counts up from the erase (SAE J1979).
        before = CaseSide(BEFORE.codes, ready({"distance_since_clear_km": 5}))
        later = after([code("P0102")], ready({"distance_since_clear_km": 80}))
        on_record = compare(before, later, work, erased=True).repair
        assert {i.verdict for i in on_record} == {Verdict.CONTRADICTED}
        assert "present again" in on_record[0].requirements[0].evidence
        assert {i.verdict for i in compare(before, later, work).repair} == {Verdict.NOT_PROVEN}

    @pytest.mark.parametrize("later", [after([code("P0102")]), after([code("P0102")], {})])
    def test_a_code_still_stored_does_not_contradict_when_no_erase_is_known(self, later):
        items = compare(BEFORE, later, Work((), ("MAF",))).repair
        assert [i.verdict for i in items] == [Verdict.NOT_PROVEN] * 2
        for item in items:
            assert "erased in between is not known" in item.requirements[0].evidence

    def test_a_monitor_completed_before_the_work_proves_nothing_without_an_erase(self):
        before = CaseSide(BEFORE.codes, ready(OLD))
        assert verdict_of(before, after(readiness=ready(OLD))).verdict is Verdict.NOT_PROVEN
        now = [{"monitor": "components", "supported": True, "complete": True}]
        assert verdict_of(before, after(readiness=ready(OLD, this_drive=now))).verdict == "proven"

    def test_a_network_code_needs_every_module_back(self):
        before = CaseSide(codes(module("7E8", code("U0100")), module("7EA")))
        lost = CaseSide(codes(module("7E8")), ready(), drive())
        there = CaseSide(codes(module("7E8"), module("7EA")), ready(), drive())
        assert "gave no codes after the work: engine (7EA)" in [
            r.evidence for r in verdict_of(before, lost).requirements
        ]
        assert verdict_of(before, lost).verdict is Verdict.NOT_PROVEN
        assert verdict_of(before, there).verdict is Verdict.PROVEN

    def test_the_order_of_a_cases_sessions_counts_where_clocks_disagree(self):
        later = after(read_at="2026-03-01T10:05:00Z")
        ordered = CaseSide(
            later.codes, later.readiness, later.data, later.findings, read_after_drive=True
        )
        assert verdict_of(BEFORE, ordered).verdict is Verdict.PROVEN

    def test_readings_with_the_engine_off_do_not_prove_a_part(self):
        rest = Finding(
            "idle-airflow",
            "Meter at rest",
            Outcome.INSIDE,
            Severity.INFO,
            "MAF",
            condition="key-on",
        )
        item = verdict_of(BEFORE, after(findings=[rest]))
        assert item.verdict is Verdict.NOT_PROVEN
        assert "only judged with the engine off" in item.requirements[2].evidence

    def test_a_check_beside_the_point_is_no_proof(self):
        beside = [replace(finding(), check="absolute-load")]
        assert verdict_of(BEFORE, after(findings=beside)).verdict is Verdict.NOT_PROVEN

    def test_a_code_that_followed_another_waits_for_it(self):
        lean = code("P0171", "pending", judgement="follow-on")
        before = CaseSide(codes(module("7E8", code("P0102"), lean)))
        trims = [finding(), replace(finding("LONGFT1"), check="fuel-trim-total")]
        items = compare(before, after([code("P0102")], findings=trims), erased=True).repair
        assert [i.verdict for i in items] == ["contradicted", "not-proven"]
        assert "still present: P0102" in [r.evidence for r in items[1].requirements]
        items = compare(before, after(findings=trims)).repair
        assert [i.verdict for i in items] == ["proven", "proven"]

    def test_a_root_in_a_module_that_is_silent_now_is_not_known_to_be_gone(self):
        lean = code("P0171", "pending", judgement="follow-on")
        before = CaseSide(codes(module("7E8", lean), module("7E9", code("P0102"))))
        root = verdict_of(before, after(), item=1).requirements[1]
        assert root.text == "Nothing is left that P0171 could follow from"
        assert (root.met, root.evidence) == (None, "not read after the work: engine (7E9)")

    def test_only_the_codes_own_module_speaks_for_its_monitor(self):
        # 7E8 has the code; only 7E9 has completed the monitor.
        both = {"modules": ready(components=False)["modules"] + ready(address="7E9")["modules"]}
        own = verdict_of(BEFORE, after(readiness=both)).requirements[1]
        assert (own.met, own.evidence.split(";")[0]) == (False, "engine (7E8): not complete yet")
        other = verdict_of(BEFORE, after(readiness=ready(address="7E9"))).requirements[1]
        assert (other.met, other.evidence) == (None, "engine (7E8) reports no such monitor")

    def test_work_needs_the_monitor_of_every_module_that_has_it(self):
        def monitor(*modules, **counters):
            both = {"modules": [m for r in modules for m in r["modules"]], **counters}
            return verdict_of(BEFORE, after(readiness=both), Work(("MAF",)), item=1).requirements[1]

        one_left = monitor(ready(), ready(address="7E9", components=False))
        assert one_left.met is False
        assert (
            "(7E8): complete since clearing; transmission control (7E9): not complete"
            in one_left.evidence
        )
        assert monitor(ready(), ready(address="7E9")).met is True
        assert monitor(ready(), ready(address="7E9", components=None)).met is True

    def test_a_permanent_record_nobody_asked_for_again_is_not_known_to_be_gone(self):
        before = CaseSide(codes(module("7E8", code("P0102", "confirmed", "permanent"))))

        def record(later):
            (found,) = [
                r for r in verdict_of(before, later).requirements if "permanent record" in r.text
            ]
            return found

        for nothing in (None, frozenset(), frozenset({"7E9"})):
            assert record(replace(after(), permanent_read=nothing)).met is None
        assert record(replace(after(), permanent_read=frozenset({"7E8"}))).met is True
        assert record(after([code("P0102", "permanent")])).met is False
        texts = [r.text for r in verdict_of(BEFORE, after()).requirements]
        assert not [text for text in texts if "permanent record" in text]

    def test_a_code_that_came_and_went_after_the_work_is_named(self):
        seen = {("7E8", "P0102", None): frozenset({"pending"})}
        away = verdict_of(BEFORE, replace(after(), seen_earlier=seen)).requirements[0]
        assert away.met is True
        assert away.evidence.endswith("an earlier reading after the work still showed it (pending)")
        assert "earlier" not in verdict_of(BEFORE, after()).requirements[0].evidence

    def test_a_makers_code_cannot_be_proven_by_generic_data(self):
        before = CaseSide(codes(module("7E8", code("P1234"))))
        assert verdict_of(before, after()).verdict is Verdict.NOT_PROVEN

    def test_past_codes_need_no_proof(self):
        before = CaseSide(codes(module("7E8", code("P0102", judgement="past"))))
        assert compare(before, after()).repair == ()

    def test_the_same_code_in_two_modules_is_two_items(self):
        before = CaseSide(codes(module("7E8", code("U0100")), module("7EA", code("U0100"))))
        items = [item.item for item in compare(before, after()).repair]
        assert items == ["U0100 in engine (7E8)", "U0100 in engine (7EA)"]


class TestWork:
    def test_work_without_a_code_is_judged_by_its_component(self):
        item = verdict_of(CaseSide(codes(module())), after(), Work(("the MAF plug",)))
        assert (item.kind, item.verdict) == ("work", "proven")

    def test_a_new_code_about_the_part_contradicts(self):
        later = after([code("P0101", "pending")])
        item = verdict_of(CaseSide(codes(module())), later, Work((), ("air mass meter",)))
        assert item.verdict is Verdict.CONTRADICTED
        assert "P0101 pending" in item.requirements[0].evidence

    def test_a_silent_module_leaves_it_open(self):
        before = CaseSide(codes(module("7E8"), module("7EA")))
        assert verdict_of(before, after(), Work(("MAF",))).requirements[0].met is None

    def test_a_module_that_erred_leaves_it_open_without_a_reading_before(self):
        reading = codes(module("7E8"), module("7EA", error="refused"))
        later = replace(after(), codes=reading)
        point = verdict_of(CaseSide(), later, Work(("MAF",))).requirements[0]
        assert (point.met, point.evidence) == (None, "not read after the work: engine (7EA)")

    def test_work_on_a_module_that_a_code_names_is_judged_by_that_code(self):
        lost = {**code("U0121"), "meaning": "Brake control module (ABS): lost communication"}
        before = CaseSide(codes(module("7E8", lost)))
        item = verdict_of(before, after(), Work(("brake control module",)), item=1)
        assert (item.kind, item.verdict) == ("work", "proven")
        assert "U0121 is neither stored nor pending" in item.requirements[0].text

    def test_a_module_that_was_not_read_is_judged_only_as_others_see_it(self):
        lost = {**code("U0121"), "meaning": "Brake control module (ABS): lost communication"}
        before = CaseSide(codes(module("7E8", lost)))
        work = Work(("brake control module",))
        item = verdict_of(before, after(), work, item=1)
        assert item.requirements[0].evidence.endswith("brake control module itself was not read")
        assert item.limit.startswith("The brake control module itself was not read")
        assert item.to_json()["limit"] == item.limit
        assert "as engine (7E8) sees it" in verdict_of(before, after(), work, item=0).limit
        # Read itself, it needs no such word.
        brakes = {**module("7EB"), "name": "brake control"}
        reading = replace(after(), codes=codes(module("7E8"), brakes))
        item = verdict_of(before, reading, work, item=1)
        assert item.limit == ""
        assert "not read" not in item.requirements[0].evidence

    def test_only_network_codes_have_that_limit(self):
        assert verdict_of(BEFORE, after(), Work(("MAF",)), item=0).limit == ""
        assert verdict_of(BEFORE, after(), Work(("MAF",)), item=1).limit == ""

    def test_work_that_no_reading_speaks_about_is_left_to_the_hand(self):
        item = verdict_of(BEFORE, after(), Work((), ("ashtray",)), item=1)
        assert item.verdict is Verdict.NOT_PROVEN
        assert "ashtray" in item.requirements[0].text


class TestDrive:
    def test_distance_and_times_of_a_known_drive(self):
        summary = summarise_drive(drive())
        assert summary.running_s == 959
        # 899 s at 60 km/h, and one second of rising from 0 (trapezoid): 15.0 km.
        assert summary.distance_km == pytest.approx(899 / 60 + 0.5 / 60, rel=1e-6)
        assert (summary.idle_s, summary.moving_s, summary.enough) == (60, 899, True)

    def test_a_gap_counts_for_nothing_and_is_stated(self):
        whole, holed = summarise_drive(drive()), summarise_drive(drive(hole_s=300))
        assert holed.unseen_s == 301
        assert holed.distance_km == pytest.approx(whole.distance_km - 1 / 60, rel=1e-6)
        assert holed.moving_s == whole.moving_s - 1

    def test_without_engine_speed_it_is_not_known(self):
        data = drive()
        only_speed = SessionData(data.path, {}, data.readings[data.readings["signal"] == "VSS"])
        summary = summarise_drive(only_speed)
        assert (summary.running_s, summary.idle_s, summary.enough) == (None, None, None)

    def test_a_standing_engine_does_not_idle(self):
        assert summarise_drive(drive(rpm=0.0)).idle_s == 0


class TestFamilies:
    def test_ranges_are_in_order_apart_and_name_known_signals_and_monitors(self):
        assert families()
        for family in families():
            assert set(family.monitors) <= NAMES
            for signal in family.signals:
                assert signal == "ADAPTER_V" or by_name(signal).name == signal
            assert set(family.checks) <= {check.name for check in all_checks()}

    @pytest.mark.parametrize(
        ("text", "component", "monitor"),
        [
            # Group titles of SAE J2012-DA (from memory).
            ("P0102", "airflow meter", "components"),
            ("P0171", "fuel mixture", "fuel-system"),
            ("P0301", "misfire", "misfire"),
            ("P0401", "exhaust gas recirculation", "egr-vvt"),
            ("P0420", "catalyst", "catalyst"),
            ("P0442", "evaporative system", "evaporative-system"),
            ("P0135", "oxygen sensor heater", "oxygen-sensor-heater"),
            ("P2002", "particulate filter", "pm-filter"),
        ],
    )
    def test_codes_find_their_monitor(self, text, component, monitor):
        family = family_of(text)
        assert (family.component, family.monitors[0]) == (component, monitor)

    @pytest.mark.parametrize("text", ["P1234", "B1000", "U0100", "", "nonsense"])
    def test_others_have_none(self, text):
        assert family_of(text) is None

    @pytest.mark.parametrize(
        ("text", "components"),
        [
            ("MAF sensor connector", ["airflow meter"]),
            ("Thermostat.", ["thermostat"]),
            ("mafia", []),
            ("spark plugs", ["misfire"]),
        ],
    )
    def test_words_are_matched_whole(self, text, components):
        assert [f.component for f in families_named(text)] == components


def test_readings_are_compared_within_a_condition_and_name_it():
    result = compare(CaseSide(data=drive(rpm=1500)), CaseSide(data=drive(rpm=1600))).to_json()
    (rpm,) = [s for s in result["signals"] if s["signal"] == "RPM"]
    assert rpm["condition"] == "engine running"
    assert (rpm["before"]["mean"], rpm["after"]["mean"], rpm["unit"]) == (1500, 1600, "min-1")
    assert rpm["before"]["samples"] == 960
