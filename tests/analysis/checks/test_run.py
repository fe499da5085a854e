from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.checks import run_checks
from analysis.checks.range_check import held_maximum, parse_ranges, range_checks
from analysis.checks.registry import all_checks
from analysis.data import Samples
from analysis.facts import VehicleFacts
from analysis.findings import Severity, Verdict
from obdlog.errors import AnalysisError, TableError

ROW = """
[[check]]
name = "x"
title = "X"
why = "Because."
signals = ["ECT"]
conditions = ["any"]
statistic = "mean"
low = 1
high = 2
source = "nobody"
"""


def idle_speed(data, overrides=None):
    findings = run_checks(data, VehicleFacts(), overrides)
    return next(f for f in findings if f.check == "idle-speed")


@pytest.fixture
def warm(build_session):
    count = 200
    return build_session(
        {
            "RPM": [850.0] * count, "VSS": [0] * count, "ECT": [90] * count,
            "RUNTM": np.arange(count) / 2 + 300, "APP_D": [14] * count,
        }
    )  # fmt: skip


def test_names_are_unique_and_ranges_stand(build_session):
    names = [check.name for check in all_checks()]
    assert len(names) == len(set(names)) >= 20
    assert set(range_checks()) <= set(all_checks())
    for check in all_checks():
        assert check.low <= check.high
        assert not (math.isinf(check.low) and math.isinf(check.high))
        assert check.source
        assert check.suggests
        assert check.confounders
        assert (check.min_samples is None) == (not check.gate_reason)


def test_the_users_own_range_counts_and_is_named(warm):
    assert idle_speed(warm).verdict is Verdict.INSIDE
    own = {"idle-speed": {"low": 700, "high": 780, "source": "measured when healthy"}}
    finding = idle_speed(warm, own)
    assert (finding.verdict, finding.severity) == (Verdict.OUTSIDE, Severity.WATCH)
    assert (finding.expected.low, finding.expected.high) == (700, 780)
    assert finding.expected.source == "measured when healthy"


def test_an_own_range_may_have_one_end(warm):
    finding = idle_speed(warm, {"idle-speed": {"high": 800}})
    assert finding.verdict is Verdict.OUTSIDE
    assert finding.expected.low is None
    assert finding.expected.source == "stated by the user"


@pytest.mark.parametrize(
    ("own", "says"),
    [
        ({"no-such": {"low": 1}}, "no check"),
        ({"idle-speed": {}}, "needs low, high"),
        ({"idle-speed": 5}, "needs low, high"),
        ({"idle-speed": {"low": "fast"}}, "must be a number"),
        ({"idle-speed": {"low": True}}, "must be a number"),
        ({"idle-speed": {"low": float("nan")}}, "must be a number"),
        ({"idle-speed": {"low": 9, "high": 1}}, "low above its high"),
        ({"idle-speed": {"low": 9, "colour": 1}}, "unknown colour"),
        ({"idle-speed": {"low": 9, "source": 1}}, "must be text"),
    ],
)
def test_an_own_range_that_is_none_is_one_sentence(warm, own, says):
    with pytest.raises(AnalysisError, match=says):
        run_checks(warm, VehicleFacts(), own)


def test_the_stretch_farthest_out_is_reported(build_session):
    rpm = np.concatenate((np.full(100, 750.0), np.full(20, 1500.0), np.full(100, 980.0)))
    count = rpm.size
    data = build_session(
        {
            "RPM": rpm, "VSS": np.where(rpm == 1500, 30, 0), "ECT": [90] * count,
            "RUNTM": np.arange(count) / 2 + 300, "APP_D": [14] * count,
        }
    )  # fmt: skip
    finding = idle_speed(data)
    assert finding.measured["value"] == 980.0
    assert finding.measured["windows"] == 2
    assert finding.evidence.worst_s == pytest.approx(60.0)
    assert finding.evidence.first_s == pytest.approx(0.0)


def test_parsing_a_row():
    (check,) = parse_ranges(ROW, "t.toml")
    assert (check.unit, check.low, check.high, check.fuel) == ("°C", 1.0, 2.0, "")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x = ",
        ROW + ROW,
        ROW.replace('"mean"', '"mode"'),
        ROW.replace('"ECT"', '"ECT", "RPM"'),
        ROW.replace('"ECT"', '"NOSUCH"'),
        ROW.replace('"any"', '"nowhere"'),
        ROW.replace("low = 1", "low = 3"),
        ROW + 'colour = "red"\n',
        ROW.replace('source = "nobody"\n', ""),
    ],
)
def test_a_broken_table_is_refused(text):
    with pytest.raises(TableError):
        parse_ranges(text, "t.toml")


@pytest.mark.parametrize(
    ("values", "hold_s", "wanted"),
    [
        ([1, 9, 1, 1], 1.0, 1),  # a single odd sample
        ([1, 9, 9, 1], 1.0, 9),
        ([1, 9, 8, 7], 2.0, 7),
        ([1, 9, 1, 1], 0.0, 9),
    ],
)
def test_a_level_counts_when_it_lasts(values, hold_s, wanted):
    samples = Samples(np.arange(4.0), np.array(values, dtype=float))
    assert np.nanmax(held_maximum(samples, hold_s)) == wanted
