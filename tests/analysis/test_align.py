from __future__ import annotations

import numpy as np
import pytest

from analysis.align import align, align_samples
from analysis.data import Samples
from obdlog.errors import MissingSignalError

SAMPLES = Samples(np.array([0.0, 1.0, 4.0]), np.array([10.0, 20.0, 50.0]))
NAN = float("nan")


@pytest.mark.parametrize(
    ("rule", "at", "value", "age"),
    [
        ("previous", 0.0, 10.0, 0.0),
        ("previous", 0.9, 10.0, 0.9),
        ("previous", 2.9, 20.0, 1.9),
        ("previous", 3.5, NAN, NAN),  # 2.5 s old, beyond 2 s
        ("previous", -0.1, NAN, NAN),
        ("nearest", -0.1, 10.0, 0.1),
        ("nearest", 0.5, 10.0, 0.5),  # equally near: the earlier
        ("nearest", 0.6, 20.0, 0.4),
        ("nearest", 2.6, 50.0, 1.4),
        ("linear", 0.5, 15.0, 0.5),
        ("linear", 1.0, 20.0, 0.0),
        ("linear", 2.5, 35.0, 1.5),
        ("linear", 3.5, NAN, NAN),  # the sample before is 2.5 s away
        ("linear", 4.5, NAN, NAN),  # nothing after: no extrapolation
    ],
)
def test_rules(rule, at, value, age):
    values, ages = align_samples(SAMPLES, np.array([at]), rule=rule, max_age_s=2.0)
    np.testing.assert_allclose(values, [value])
    np.testing.assert_allclose(ages, [age])


def test_wide_frame_keeps_ages_beside_values(build_session):
    data = build_session({"RPM": ([0, 1, 2], [700, 800, 900]), "ECT": ([0.4], [90])})
    wide = align(data, ["RPM", "ECT"], rule="previous", max_age_s=1.0, on="RPM")
    assert wide.values.index.name == "at_s"
    assert wide.values["RPM"].tolist() == [700, 800, 900]
    np.testing.assert_allclose(wide.values["ECT"], [NAN, 90, NAN])
    np.testing.assert_allclose(wide.ages_s["ECT"], [NAN, 0.6, NAN])


def test_missing_signals_and_nameless_rules_are_refused(build_session):
    data = build_session({"RPM": [700.0]})
    with pytest.raises(MissingSignalError):
        align(data, ["ECT"], rule="previous", max_age_s=1.0, on="RPM")
    with pytest.raises(ValueError, match="none of"):
        align(data, ["RPM"], rule="guess", max_age_s=1.0, on="RPM")
    with pytest.raises(ValueError, match="above zero"):
        align(data, ["RPM"], rule="previous", max_age_s=0.0, on="RPM")


def test_no_samples_give_no_values():
    nothing = Samples(np.empty(0), np.empty(0))
    values, ages = align_samples(nothing, np.array([1.0]), rule="nearest", max_age_s=1.0)
    assert np.isnan(values).all()
    assert np.isnan(ages).all()
