"""Driving conditions; their limits are our own and stand in analysis/conditions.toml."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.condition_table import condition, conditions, parse_conditions
from analysis.conditions import cover, find_segments
from analysis.engine import CRANKING, NOT_STARTED, RUNNING, STOPPED, engine_state, run_time
from analysis.facts import VehicleFacts
from obdlog.errors import TableError

PETROL = VehicleFacts(fuel="petrol")


def idle(build_session, seconds=60.0, **own):
    at_s = np.arange(0, seconds, 0.5)
    base = {"RPM": 750, "VSS": 0, "ECT": 90, "RUNTM": at_s + 300, "APP_D": 14, "FUELSYS1": 2}
    values = {name: v for name, v in {**base, **own}.items() if v is not None}
    return build_session({n: (at_s, np.broadcast_to(v, at_s.shape)) for n, v in values.items()})


def spans(segments):
    return [(round(s.start_s, 1), round(s.end_s, 1)) for s in segments]


def test_warm_idle_is_found(build_session):
    assert spans(find_segments(idle(build_session), "warm-idle", PETROL)) == [(0.0, 59.5)]


@pytest.mark.parametrize(
    "own",
    [
        {"ECT": 70},
        {"VSS": 5},
        {"RUNTM": 60},
        {"RPM": 1500},
        {"RPM": 0},
        {"FUELSYS1": 1},
        {"APP_D": np.where(np.arange(120) % 20 < 10, 14, 20)},
        {"RPM": np.where(np.arange(120) % 2 == 0, 700, 800)},  # standard deviation 50
    ],
)
def test_one_requirement_unmet_and_it_is_none(build_session, own):
    coverage = cover(idle(build_session, **own), "warm-idle", PETROL)
    assert coverage.segments == ()
    assert coverage.judgeable
    assert "not met for 20 s" in coverage.reason


def test_dwell_must_be_unbroken(build_session):
    speed = np.where(np.arange(120) == 30, 5, 0)  # rolls for half a second at 15 s
    found = find_segments(idle(build_session, VSS=speed), "warm-idle", PETROL)
    assert spans(found) == [(15.5, 59.5)]


def test_a_silence_ends_it(build_session):
    at_s = np.concatenate((np.arange(0, 30, 0.5), np.arange(40, 70, 0.5)))
    base = {"RPM": 750, "VSS": 0, "ECT": 90, "RUNTM": at_s + 300, "APP_D": 14, "FUELSYS1": 2}
    data = build_session({n: (at_s, np.broadcast_to(v, at_s.shape)) for n, v in base.items()})
    assert spans(find_segments(data, "warm-idle", PETROL)) == [(0.0, 29.5), (40.0, 69.5)]


def test_slow_signals_hold_for_five_of_their_own_intervals(build_session):
    at_s = np.arange(0, 60, 0.5)
    data = build_session(
        {
            "RPM": (at_s, np.full(120, 750)), "VSS": (at_s, np.zeros(120)),
            "APP_D": (at_s, np.full(120, 14)), "FUELSYS1": (at_s, np.full(120, 2)),
            "ECT": (np.arange(0, 60, 10.0), np.full(6, 90)), "RUNTM": (at_s, at_s + 300),
        }
    )  # fmt: skip
    assert spans(find_segments(data, "warm-idle", PETROL)) == [(0.0, 59.5)]


def test_a_missing_signal_is_named_and_alternatives_serve(build_session):
    coverage = cover(idle(build_session, ECT=None), "warm-idle", PETROL)
    assert not coverage.judgeable
    assert "needs ECT" in coverage.reason
    both = cover(idle(build_session, APP_D=None), "warm-idle", PETROL)
    assert "APP_D or TP" in both.reason
    served = cover(idle(build_session, APP_D=None, TP=15), "warm-idle", PETROL)
    assert served.segments


def test_run_time_is_counted_from_the_log_when_the_car_has_none(build_session):
    data = idle(build_session, seconds=200.0, RUNTM=None)
    assert spans(find_segments(data, "warm-idle", PETROL)) == [(120.0, 199.5)]


def test_loop_status_counts_on_petrol_only(build_session):
    without = {"FUELSYS1": None}
    assert not cover(idle(build_session, **without), "warm-idle", PETROL).judgeable
    assert cover(idle(build_session, **without), "warm-idle", VehicleFacts(fuel="diesel")).segments
    unknown = cover(idle(build_session, **without), "warm-idle", VehicleFacts())
    assert unknown.segments
    assert unknown.relaxed == ("FUELSYS1 left out: fuel not known",)


def test_the_limit_that_is_judged_can_be_left_out(build_session):
    data = idle(build_session, FUELSYS1=1)
    assert find_segments(data, "warm-idle", PETROL, without=["loop"])


def test_full_throttle_is_a_share_of_the_sessions_maximum(build_session):
    at_s = np.arange(0, 10, 0.25)
    pulling = (at_s >= 3) & (at_s <= 6)
    rpm = np.where(pulling, 2500 + at_s * 300, 1800)
    data = build_session({"APP_D": (at_s, np.where(pulling, 80, 20)), "RPM": (at_s, rpm)})
    assert spans(find_segments(data, "full-throttle", PETROL)) == [(3.0, 6.0)]
    half = build_session({"APP_D": (at_s, np.where(pulling, 60, 20)), "RPM": (at_s, rpm)})
    assert find_segments(half, "full-throttle", PETROL) == []


def test_overrun_needs_the_pedal_at_the_sessions_rest(build_session):
    at_s = np.arange(0, 20, 0.5)
    lifted = at_s >= 10
    data = build_session(
        {
            "APP_D": (at_s, np.where(lifted, 14.9, 25)), "VSS": (at_s, np.full(40, 60)),
            "RPM": (at_s, np.full(40, 2000)), "FUELSYS1": (at_s, np.where(lifted, 4, 2)),
        }
    )  # fmt: skip
    assert spans(find_segments(data, "overrun", PETROL)) == [(10.0, 19.5)]


def test_soak_needs_the_users_word_and_is_the_beginning_only(build_session):
    at_s = np.arange(0, 60.0)
    data = build_session({"RPM": (at_s, np.zeros(60)), "VSS": (at_s, np.zeros(60))})
    assert not cover(data, "after-soak", VehicleFacts()).judgeable
    assert not cover(data, "after-soak", VehicleFacts(soak_h=2.0)).judgeable
    assert spans(find_segments(data, "after-soak", VehicleFacts(soak_h=9.0))) == [(0.0, 15.0)]


def test_any_is_the_whole_session(build_session):
    assert spans(find_segments(idle(build_session), "any", PETROL)) == [(0.0, 59.5)]
    assert find_segments(build_session({}), "any", PETROL) == []


class TestEngineState:
    def states(self, build_session, rpm, **own):
        at_s = np.arange(len(rpm), dtype=float)
        values = {"RPM": rpm, **own}
        return engine_state(build_session({n: (at_s, v) for n, v in values.items()})).value

    def test_key_on_cranking_running(self, build_session):
        states = self.states(build_session, [0, 0, 200, 900, 800])
        assert states.tolist() == [NOT_STARTED, NOT_STARTED, CRANKING, RUNNING, RUNNING]

    def test_stop_start_is_not_key_on(self, build_session):
        states = self.states(build_session, [800] + [0] * 30 + [800])
        assert set(states[1:31]) == {STOPPED}

    def test_run_time_back_at_zero_is_a_new_key_cycle(self, build_session):
        rpm = [800] * 3 + [0] * 30
        run = [10, 11, 12] + [12] * 5 + [0] * 25
        states = self.states(build_session, rpm, RUNTM=run)
        assert set(states[3:12]) == {STOPPED}  # not before it has stood for 10 s
        assert set(states[12:]) == {NOT_STARTED}

    def test_rolling_without_engine_is_not_key_on(self, build_session):
        states = self.states(build_session, [0, 0, 0], VSS=[0, 5, 10])
        assert states.tolist() == [NOT_STARTED, STOPPED, STOPPED]

    def test_an_engine_that_will_not_start(self, build_session):
        states = self.states(build_session, [0, 200, 200, 0, 0])
        assert states.tolist() == [NOT_STARTED, CRANKING, CRANKING, STOPPED, STOPPED]

    def test_without_engine_speed_nothing_is_known(self, build_session):
        assert engine_state(build_session({"VSS": [0.0]})).count == 0

    def test_run_time_from_the_log(self, build_session):
        data = build_session({"RPM": (np.arange(5.0), [0, 0, 700, 0, 700])})
        assert run_time(data).value.tolist() == [0, 0, 0, 1, 2]


def test_the_table_reads_as_written():
    idle_row = condition("warm-idle")
    assert (idle_row.dwell_s, idle_row.min_samples) == (20, 20)
    assert condition("full-throttle").min_samples == 4
    assert len(conditions()) >= 9
    with pytest.raises(TableError, match="no condition"):
        condition("flying")


GOOD = '["x"]\ntitle = "X"\ntext = "x"\ndwell_s = 1\nmin_samples = 1\nwhere = [%s]\n'


@pytest.mark.parametrize(
    "text",
    [
        "x = ",
        "x = 1",
        GOOD % "{ low = 1 }",
        GOOD % '{ signals = ["RPM"], low = 2, high = 1 }',
        GOOD % '{ signals = [], low = 2 }',
        GOOD % '{ signals = ["RPM"], statistic = "mode" }',
        GOOD % '{ signals = ["RPM"], colour = 1 }',
        (GOOD % "").replace("dwell_s = 1", "dwell_s = -1"),
        (GOOD % '{ signals = ["RPM"], statistic = "sd" }').replace("dwell_s = 1", "dwell_s = 0"),
        (GOOD % "").replace("min_samples = 1\n", ""),
    ],
)  # fmt: skip
def test_a_broken_table_is_refused(text):
    with pytest.raises(TableError):
        parse_conditions(text, "t.toml")
