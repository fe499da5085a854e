"""How good the data are: rate, gaps, stuck values and coverage of each signal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.data import Gap, Samples, SessionData

GAP_FACTOR = 5.0
GAP_FLOOR_S = 2.0
"""A gap is a silence of more than both: five of the signal's own median intervals, and two
seconds (our own screening limits). A signal polled every ten seconds has no gap at eleven."""

STUCK_SECONDS = 60.0
"""A value that never moves for this long is reported as stuck (our own screening limit)."""


@dataclass(frozen=True, slots=True)
class SignalQuality:
    """How one signal of one source was sampled.

    Attributes
    ----------
    rate_hz
        One over the median interval [Hz]; 0 with fewer than two samples.
    median_interval_s, max_interval_s
        Of the time between samples [s]; NaN with fewer than two.
    gaps
        Silences longer than `gap_threshold_s`.
    coverage
        Share of the session's span that is not inside a gap of this signal, before its first or
        after its last sample [0–1].
    missing
        Replies in which the car said "not available".
    longest_constant_s
        Longest time during which the value did not change [s].
    constant
        Whether the signal never changed at all over at least `STUCK_SECONDS`.
    """

    signal: str
    source: str
    samples: int
    missing: int
    rate_hz: float
    median_interval_s: float
    max_interval_s: float
    gap_threshold_s: float
    gaps: tuple[Gap, ...]
    coverage: float
    longest_constant_s: float
    constant: bool


def gap_threshold_s(samples: Samples) -> float:
    """Return above which interval a silence of `samples` counts as a gap [s]."""
    if samples.count < 2:
        return GAP_FLOOR_S
    return max(GAP_FLOOR_S, GAP_FACTOR * float(np.median(np.diff(samples.at_s))))


def find_gaps(samples: Samples, threshold_s: float) -> tuple[Gap, ...]:
    """Return the silences of `samples` longer than `threshold_s`, in order."""
    steps = np.diff(samples.at_s)
    return tuple(
        Gap(float(samples.at_s[i]), float(samples.at_s[i + 1]), "no sample")
        for i in np.flatnonzero(steps > threshold_s)
    )


def session_gaps(data: SessionData, threshold_s: float = GAP_FLOOR_S) -> tuple[Gap, ...]:
    """Return the stretches without any reading at all longer than `threshold_s`."""
    at_s = np.unique(data.readings["at_s"].to_numpy())
    return find_gaps(Samples(at_s, at_s), threshold_s)


def longest_constant_s(samples: Samples) -> float:
    """Return the longest time over which consecutive samples had one value [s]."""
    if samples.count < 2:
        return 0.0
    starts = np.concatenate(([0], np.flatnonzero(np.diff(samples.value)) + 1))
    ends = np.concatenate((starts[1:] - 1, [samples.count - 1]))
    return float((samples.at_s[ends] - samples.at_s[starts]).max())


def signal_quality(data: SessionData, signal: str, source: str) -> SignalQuality:
    """Return how `signal` of `source` was sampled."""
    samples = data.samples(signal, source)
    readings = data.readings
    rows = int(((readings["signal"] == signal) & (readings["source"] == source)).sum())
    steps = np.diff(samples.at_s)
    threshold = gap_threshold_s(samples)
    gaps = find_gaps(samples, threshold)
    covered = 0.0
    if samples.count:
        covered = float(samples.at_s[-1] - samples.at_s[0])
        covered -= sum(gap.end_s - gap.start_s for gap in gaps)
    median = float(np.median(steps)) if steps.size else float("nan")
    constant_s = longest_constant_s(samples)
    never = samples.count > 1 and bool(np.ptp(samples.value) == 0)
    return SignalQuality(
        signal=signal,
        source=source,
        samples=samples.count,
        missing=rows - samples.count,
        rate_hz=1.0 / median if steps.size and median > 0 else 0.0,
        median_interval_s=median,
        max_interval_s=float(steps.max()) if steps.size else float("nan"),
        gap_threshold_s=threshold,
        gaps=gaps,
        coverage=covered / data.seconds if data.seconds > 0 else 0.0,
        longest_constant_s=constant_s,
        constant=never and constant_s >= STUCK_SECONDS,
    )


def quality(data: SessionData) -> tuple[SignalQuality, ...]:
    """Return the quality of every signal of every source, by name."""
    return tuple(
        signal_quality(data, signal, source)
        for signal in data.signals()
        for source in sorted(data.sources(signal))
    )
