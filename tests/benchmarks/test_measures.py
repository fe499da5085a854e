"""The measures measure what they say; how fast it is, the suite does not judge."""

from __future__ import annotations

from analysis.load import load
from tests.benchmarks.loading import CYCLE, floor, write_drive


def test_floor_and_loader_see_the_same_replies(tmp_path):
    path = tmp_path / "drive.session.jsonl"
    count = write_drive(path, 1)
    cycles = count // len(CYCLE)
    data = load(path)
    assert data.exchanges == count == 960
    assert data.warnings == ()
    # Bytes and readings of the replies of one cycle, counted by hand; PID 03 and 14 hold two
    # readings, the trim byte FF of PID 15 says "not used" (SAE J1979).
    assert floor(path) == cycles * sum((15, 4, 16, 3, 17, 4, 12))
    assert len(data.readings) == cycles * sum((7, 1, 7, 1, 6, 1, 5))
    assert {"RPM", "VSS", "LOAD_PCT", "MAF"} <= set(data.signals())
