"""Drives: speed asked of the driver against time, from segments or from a 1 Hz trace."""

from __future__ import annotations

import csv
from bisect import bisect_right
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import msgspec

from obdlog.errors import LinkOpenError, OpenFailure, TableError
from obdlog.simulator.profile import DRIVE_PREFIX, drive_names, read_profile_text


class Segment(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A stretch of driving: go to `to_kmh` within `for_s`; `rev_rpm` holds revs in neutral."""

    for_s: float
    to_kmh: float
    rev_rpm: float = 0.0


class _DriveFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    title: str
    source: str
    segment: tuple[Segment, ...] = ()
    trace: str = ""


@dataclass(frozen=True, slots=True)
class Drive:
    """Asked speed against time: `times_s` rising, `speeds_kmh` joined by straight lines.

    `revs` are (from, until, speed of the engine in neutral) with the car standing.
    """

    name: str
    title: str
    source: str
    times_s: tuple[float, ...]
    speeds_kmh: tuple[float, ...]
    revs: tuple[tuple[float, float, float], ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the drive [s]."""
        return self.times_s[-1]

    def speed_kmh(self, at_s: float) -> float:
        """Return the speed asked for [km/h]; zero after the end."""
        if at_s >= self.times_s[-1]:
            return self.speeds_kmh[-1] if at_s == self.times_s[-1] else 0.0
        if at_s <= 0:
            return self.speeds_kmh[0]
        right = bisect_right(self.times_s, at_s)
        t0, t1 = self.times_s[right - 1], self.times_s[right]
        v0, v1 = self.speeds_kmh[right - 1], self.speeds_kmh[right]
        return v0 + (v1 - v0) * (at_s - t0) / (t1 - t0)

    def rev_rpm(self, at_s: float) -> float:
        """Return the engine speed held in neutral [1/min], zero for none."""
        for begin, end, rpm in self.revs:
            if begin <= at_s < end:
                return rpm
        return 0.0


def _from_segments(segments: tuple[Segment, ...], where: str) -> Drive:
    times, speeds = [0.0], [0.0]
    revs: list[tuple[float, float, float]] = []
    for segment in segments:
        if segment.for_s <= 0 or segment.to_kmh < 0:
            raise TableError("a segment needs a positive length and speed", file=where)
        if segment.rev_rpm:
            revs.append((times[-1], times[-1] + segment.for_s, segment.rev_rpm))
        times.append(times[-1] + segment.for_s)
        speeds.append(segment.to_kmh)
    return Drive("", "", "", tuple(times), tuple(speeds), tuple(revs))


def _from_trace(file_name: str) -> Drive:
    rows = list(csv.DictReader(read_profile_text(file_name).splitlines()))
    try:
        times = tuple(float(row["time_s"]) for row in rows)
        speeds = tuple(float(row["speed_km_h"]) for row in rows)
    except (KeyError, ValueError) as error:
        raise TableError(f"not a speed trace: {error}", file=file_name) from error
    if len(times) < 2 or any(b <= a for a, b in pairwise(times)):
        raise TableError("times must rise", file=file_name)
    return Drive("", "", "", times, speeds)


@cache
def load_drive(name: str) -> Drive:
    """Return the drive of that name.

    Raises
    ------
    LinkOpenError
        There is no such drive; the hint lists those there are.
    """
    if name not in drive_names():
        raise LinkOpenError(
            f"there is no drive {name[:40]!r}",
            reason=OpenFailure.BAD_URL,
            hint="choose one of: " + ", ".join(drive_names()),
        )
    where = f"{DRIVE_PREFIX}{name}.toml"
    try:
        found = msgspec.toml.decode(read_profile_text(where), type=_DriveFile)
    except (msgspec.DecodeError, ValueError) as error:
        raise TableError(str(error), file=where) from error
    shape = _from_trace(found.trace) if found.trace else _from_segments(found.segment, where)
    return Drive(name, found.title, found.source, shape.times_s, shape.speeds_kmh, shape.revs)
