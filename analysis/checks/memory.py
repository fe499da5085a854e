"""Whether codes had time to come back since the memory was cleared or lost its supply.

What: warm-ups (PID 30) and distance (PID 31) since clearing, with monitors that are not complete.

Why: right after clearing, "no codes" means little, because nothing has been tested yet.

Limits: a battery change does the same as clearing, so this accuses nobody. The counters stop at 255
and 65,535. The thresholds (5 warm-ups, 100 km) are our own.
"""

from __future__ import annotations

from analysis.checks.base import Check, Job
from analysis.data import SessionData
from analysis.findings import Evidence, Finding

FEW_WARM_UPS = 5
SHORT_KM = 100


def judge(check: Check, job: Job) -> list[Finding]:
    """Return the finding on recent clearing."""
    warm_ups, distance = job.data.samples("WARM_UPS"), job.data.samples("CLR_DIST")
    if not warm_ups.count and not distance.count:
        return [check.not_judged("needs WARM_UPS or CLR_DIST, which were not read")]
    waiting = _incomplete(job.data)
    if waiting is None:
        return [check.not_judged("needs the monitors' state (PID 01), which was not read")]
    few = bool(warm_ups.count and warm_ups.value[-1] < FEW_WARM_UPS)
    short = bool(distance.count and distance.value[-1] < SHORT_KM)
    parts = [f"{warm_ups.value[-1]:.0f} warm-up(s)"] if warm_ups.count else []
    parts += [f"{distance.value[-1]:.0f} km"] if distance.count else []
    count, asked_s = waiting
    text = (
        f"{' and '.join(parts)} since clearing; {count or 'no'} "
        f"{'monitor' if count == 1 else 'monitors'} not complete when last asked, "
        f"{_into(asked_s - job.data.start_s)} this log of {_length(job.data.seconds)}"
    )
    last = max(s.at_s[-1] for s in (warm_ups, distance) if s.count)
    return [
        check.judged(
            float(count if few or short else 0),
            Evidence(0.0, warm_ups.count + distance.count, float(last), float(last)),
            because=text,
            signal="WARM_UPS" if warm_ups.count else "CLR_DIST",
            condition="any",
            extra={
                "warm_ups": float(warm_ups.value[-1]) if warm_ups.count else None,
                "distance_km": float(distance.value[-1]) if distance.count else None,
            },
        )
    ]


def _incomplete(data: SessionData) -> tuple[int, float] | None:
    """Return how many monitors are supported and not complete, and when that was asked [s]."""
    ready = [data.samples(name) for name in data.signals() if name.endswith("_RDY")]
    ready = [samples for samples in ready if samples.count]
    if not ready:
        return None
    count = sum(1 for samples in ready if samples.value[-1] == 0)
    return count, max(float(samples.at_s[-1]) for samples in ready)


def _into(seconds: float) -> str:
    return "at the start of" if seconds < 1.0 else f"{_length(seconds)} into"


def _length(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


CHECK = Check(
    name="recent-clear",
    title="Codes had time to come back since clearing",
    why="Right after clearing, the absence of codes says little: nothing has been tested yet.",
    signals=("WARM_UPS", "CLR_DIST"),
    conditions=("any",),
    measure="monitors not complete, with few warm-ups or a short distance since clearing",
    unit="count",
    source="SAE J1979, definitions of PIDs 30 and 31; thresholds our own",
    judge=judge,
    high=0,
    suggests=("memory cleared recently", "battery disconnected or replaced"),
    confounders=("a new car or ECU",),
)
