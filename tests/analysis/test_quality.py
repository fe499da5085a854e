from __future__ import annotations

import numpy as np
import pytest

from analysis.data import Samples
from analysis.quality import (
    find_gaps,
    gap_threshold_s,
    longest_constant_s,
    quality,
    session_gaps,
)


def test_rate_intervals_gaps_and_coverage(build_session):
    at_s = np.concatenate((np.arange(0, 10.1, 0.5), np.arange(20, 30.1, 0.5)))
    data = build_session({"RPM": (at_s, np.arange(at_s.size))})
    (found,) = quality(data)
    assert (found.signal, found.source, found.samples) == ("RPM", "7E8", 42)
    assert found.rate_hz == 2.0
    assert (found.median_interval_s, found.max_interval_s) == (0.5, 10.0)
    assert [(gap.start_s, gap.end_s) for gap in found.gaps] == [(10.0, 20.0)]
    assert found.coverage == pytest.approx(20 / 30)
    assert not found.constant


@pytest.mark.parametrize(
    ("interval_s", "threshold_s"),
    [(0.1, 2.0), (0.4, 2.0), (1.0, 5.0), (10.0, 50.0)],  # five intervals, two seconds at least
)
def test_a_gap_is_measured_by_the_signals_own_rate(interval_s, threshold_s):
    at_s = np.arange(10) * interval_s
    assert gap_threshold_s(Samples(at_s, at_s)) == pytest.approx(threshold_s)


def test_one_sample_has_no_rate(build_session):
    (found,) = quality(build_session({"RPM": ([1.0], [700])}))
    assert found.rate_hz == 0.0
    assert found.coverage == 0.0
    assert np.isnan(found.median_interval_s)


def test_missing_values_are_counted_not_used(build_session):
    (found,) = quality(build_session({"ECT": [90.0, np.nan, 91.0]}))
    assert (found.samples, found.missing) == (2, 1)


def test_a_value_that_never_moves_is_stuck(build_session):
    still, moving = quality(build_session({"ECT": [80.0] * 200, "RPM": [700.0, 710.0] * 100}))
    assert (still.constant, still.longest_constant_s) == (True, 99.5)
    assert (moving.constant, moving.longest_constant_s) == (False, 0.0)


def test_longest_constant_stretch():
    samples = Samples(np.arange(7.0), np.array([1, 1, 2, 2, 2, 2, 3]))
    assert longest_constant_s(samples) == 3.0


def test_silence_of_the_whole_session(build_session):
    data = build_session({"RPM": ([0, 1, 2, 9], [1, 2, 3, 4]), "VSS": ([0, 5], [0, 0])})
    assert [(g.start_s, g.end_s) for g in session_gaps(data)] == [(2, 5), (5, 9)]
    assert find_gaps(data.samples("RPM"), 8.0) == ()


def test_quality_has_one_row_a_signal_and_source(build_session):
    rows = quality(build_session({"RPM": [700.0] * 4, "ECT": [90.0] * 3}))
    assert [(row.signal, row.samples) for row in rows] == [("ECT", 3), ("RPM", 4)]
    assert quality(build_session({})) == ()
