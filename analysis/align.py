"""Long readings to a wide frame, on a rule that the caller names.

Polled signals are never simultaneous. Putting them side by side always invents something, so the
rule and the largest age are arguments without defaults, values beyond that age are NaN, and the
age of every value can be had beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd

from analysis.data import FloatArray, Samples, SessionData

Rule = Literal["previous", "nearest", "linear"]


@dataclass(frozen=True, eq=False)
class Aligned:
    """A wide frame and the ages of its values.

    Attributes
    ----------
    values
        One column a signal, index ``at_s`` [s] float64; NaN where no sample is near enough.
    ages_s
        Same shape: how far the sample that was used lies from the row's time [s]; for ``linear``
        the distance to the farther of the two samples; NaN where there is no value.
    rule, max_age_s
        As asked.
    """

    values: pd.DataFrame
    ages_s: pd.DataFrame
    rule: Rule
    max_age_s: float


def align(
    data: SessionData,
    signals: Sequence[str],
    *,
    rule: Rule,
    max_age_s: float,
    on: str | FloatArray,
) -> Aligned:
    """Return the `signals` side by side at the times `on`.

    Parameters
    ----------
    rule
        ``previous``: the last sample at or before the row's time. ``nearest``: the nearest
        sample, the earlier of two equally near. ``linear``: a straight line between the samples
        before and after, for quantities that change steadily; never for enumerations.
    max_age_s
        Largest distance between a row's time and any sample that is used for it [s].
    on
        A signal's name (its own sample times) or times in rising order [s].

    Raises
    ------
    MissingSignalError
        When the session has no readings of a signal.
    ValueError
        For an unknown rule or an age that is not positive.
    """
    times = data.require(on).at_s if isinstance(on, str) else np.asarray(on, dtype=np.float64)
    values, ages = {}, {}
    for signal in signals:
        values[signal], ages[signal] = align_samples(
            data.require(signal), times, rule=rule, max_age_s=max_age_s
        )
    index = pd.Index(times, name="at_s")
    return Aligned(
        pd.DataFrame(values, index=index), pd.DataFrame(ages, index=index), rule, max_age_s
    )


def align_samples(
    samples: Samples, times: FloatArray, *, rule: Rule, max_age_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return the values of `samples` at `times`, and their ages [s]; NaN beyond `max_age_s`."""
    if rule not in get_args(Rule):
        raise ValueError(f"alignment rule {rule!r} is none of {', '.join(get_args(Rule))}")
    if not max_age_s > 0:
        raise ValueError("the largest age must be above zero")
    if not samples.count:
        nothing = np.full(times.shape, np.nan)
        return nothing, nothing.copy()
    at, value = samples.at_s, samples.value
    before = np.searchsorted(at, times, side="right") - 1
    after = np.searchsorted(at, times, side="left")
    has_before, has_after = before >= 0, after < at.size
    before, after = np.clip(before, 0, None), np.clip(after, None, at.size - 1)
    age_before = np.where(has_before, times - at[before], np.inf)
    age_after = np.where(has_after, at[after] - times, np.inf)
    if rule == "previous":
        result, age = value[before], age_before
    elif rule == "nearest":
        earlier = age_before <= age_after
        result = np.where(earlier, value[before], value[after])
        age = np.where(earlier, age_before, age_after)
    else:
        span = at[after] - at[before]
        share = np.divide(times - at[before], span, out=np.zeros_like(times), where=span > 0)
        result = value[before] + share * (value[after] - value[before])
        age = np.maximum(age_before, age_after)
    kept = age <= max_age_s
    return np.where(kept, result, np.nan), np.where(kept, age, np.nan)
