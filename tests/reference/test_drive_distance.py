"""Distance of the published driving schedules, driven in simulation and recorded to disk.

Sources: 40 CFR part 86 appendix I(a), urban dynamometer driving schedule: 7.45 mi; 40 CFR part
600, highway fuel economy schedule: 10.26 mi. PID 0D is a whole number of km/h (SAE J1979), and
the simulated car cuts the fraction off as speedometer code commonly does (common practice, no
source).

The tolerance follows from that. Cutting off takes between 0 and 1 km/h from every reading while
the car moves, so the recorded distance lies between d − 1 km/h · t and d, with t the time in
motion. On average it takes 0.5 km/h with a spread of 1/√12 km/h, which over n independent
readings leaves ± 4 · (1 km/h / √12) · t / √n (four standard deviations). Readings follow each
other in less than 0.3 s; between two of them a straight line misses at most a·Δt²/8 of the
speed, which is below 0.02 km/h at the schedules' 1.5 m/s².
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.derive import distance
from analysis.load import load
from obdlog.client import Client
from obdlog.poll_plan import build_plan
from obdlog.recorder import Recorder
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.transport.recording import RecordingTransport
from obdlog.transport.registry import open_transport

MILE_KM = 1.609344
SAMPLING_KMH = 0.02


@pytest.mark.parametrize(
    ("schedule", "published_mi", "seconds"), [("udds", 7.45, 1369), ("hwfet", 10.26, 765)]
)
def test_recorded_distance_is_the_published_one(tmp_path, schedule, published_mi, seconds):
    path = tmp_path / "drive.session.jsonl"
    transport = open_transport(f"sim://healthy-petrol?drive={schedule}&start_s=2")
    transport.connect()
    with SessionWriter(path, SessionHeader(version=1), transport.clock) as writer:
        client = Client(RecordingTransport(transport, writer))
        Recorder(client, build_plan(client, [0x0D, 0x0C])).run(for_s=seconds + 20.0)
    transport.close()

    speed = load(path).require("VSS")
    steps_s = np.diff(speed.at_s)
    assert steps_s.max() < 0.3
    driven = distance(speed)
    assert driven.gaps == ()
    moving = speed.value > 0
    moving_h = float(steps_s[moving[1:]].sum()) / 3600
    published_km = published_mi * MILE_KM

    # 0.005 mi is the rounding of the published figure.
    rounding_km = 0.005 * MILE_KM
    assert driven.km <= published_km + rounding_km + SAMPLING_KMH * moving_h
    assert driven.km >= published_km - rounding_km - (1 + SAMPLING_KMH) * moving_h

    independent = min(int(moving.sum()), seconds)  # the schedule has one speed a second
    spread_km = 4 * moving_h / math.sqrt(12 * independent)
    tolerance_km = rounding_km + SAMPLING_KMH * moving_h + spread_km
    assert driven.km + 0.5 * moving_h == pytest.approx(published_km, abs=tolerance_km)
