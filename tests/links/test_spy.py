"""The wire log keeps what crossed a link, timed and bounded."""

from __future__ import annotations

import pytest

from obdlog.errors import LinkClosedError
from obdlog.links.spy import WireLog
from obdlog.model import WireChunk
from tests.transport.fake_adapter import FakeAdapter, said


def test_it_keeps_both_directions_with_their_times() -> None:
    log = WireLog(FakeAdapter({"0100": said("41")}))
    log.write(b"0100\r")
    log.read(1.0)
    log.read(1.0)
    chunks = log.take()
    assert chunks == (WireChunk(0.0, ">", b"0100\r"), WireChunk(0.02, "<", b"41\r\r>"))
    assert log.take() == ()


def test_what_could_not_be_sent_is_kept_too() -> None:
    adapter = FakeAdapter()
    log = WireLog(adapter)
    log.set_baud(9600)
    log.close()
    with pytest.raises(LinkClosedError):
        log.write(b"04\r")
    assert log.take()[0].raw == b"04\r"
    assert adapter.bauds == [9600]


def test_a_long_transcript_keeps_its_newest_part() -> None:
    log = WireLog(FakeAdapter(), most_bytes=100)
    for number in range(100):
        log.write(b"%04d" % number)
    chunks = log.take()
    assert len(chunks) == 25
    assert chunks[-1].raw == b"0099"
