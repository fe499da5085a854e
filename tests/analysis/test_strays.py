"""One bad time stamp costs only itself: no figure of empty years, no endless time axis."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.data import Gap, Mark, SessionData
from analysis.plots import plot_timeline
from analysis.plots.axes import DAY_S, MOST_TICKS, time_step_s
from analysis.strays import without_strays

DRIVE = np.arange(0.0, 300.0)


def session(*stretches, marks=(), gaps=()):
    at_s = np.concatenate(stretches)
    readings = pd.DataFrame(
        {
            "at_s": at_s,
            "source": pd.Categorical(["7E8"] * at_s.size),
            "signal": pd.Categorical(["RPM"] * at_s.size),
            "value": np.full(at_s.size, 800.0),
        }
    )
    end_s = float(at_s[-1]) if at_s.size else 0.0
    return SessionData(Path("x"), {}, readings, marks=marks, gaps=gaps, end_s=end_s)


def test_a_stray_reading_is_left_out_and_said():
    data = session(
        DRIVE, [9e8], marks=(Mark(10.0, "here"), Mark(9e8, "there")), gaps=(Gap(5, 6, "x"),)
    )
    kept, said = without_strays(data)
    np.testing.assert_array_equal(kept.readings["at_s"], DRIVE)
    assert said == "Left out: 1 reading, up to 10,417 days away from all others."
    assert kept.marks == (Mark(10.0, "here"),)
    assert kept.gaps == (Gap(5, 6, "x"),)
    assert kept.seconds == 299.0
    assert kept.samples("RPM").count == 300


def test_strays_may_lie_before_and_between():
    kept, said = without_strays(session([0.0], DRIVE + 3 * DAY_S, [6 * DAY_S], DRIVE + 9 * DAY_S))
    assert len(kept.readings) == 600
    assert said == "Left out: 2 readings, up to 3 days away from all others."


@pytest.mark.parametrize(
    "stretches", [(DRIVE,), (DRIVE, DRIVE + 3 * DAY_S), ([5.0],), ([0.0], [9e8])]
)
def test_drives_of_several_days_and_lone_readings_stay(stretches):
    data = session(*stretches)
    assert without_strays(data) == (data, "")


def test_a_session_without_readings_stays():
    data = session(np.empty(0))
    assert without_strays(data) == (data, "")


@pytest.mark.parametrize("span_s", [0.5, 61.0, 3600.0, 10 * 3600.0, 9 * DAY_S, 30 * DAY_S, 1e9])
def test_no_time_axis_has_more_than_its_ticks(span_s):
    assert span_s / time_step_s(span_s) <= MOST_TICKS


def test_a_figure_over_years_has_a_handful_of_ticks():
    axes = plot_timeline(session(DRIVE, [9e8]), ["RPM"]).axes[0]
    assert 2 <= len(axes.get_xticks()) <= MOST_TICKS + 3
