"""The recording transport writes down all, and only once."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog.errors import LinkClosedError
from obdlog.model import Outcome, Request
from obdlog.session.format import SessionHeader
from obdlog.session.reader import read_session
from obdlog.session.writer import SessionWriter
from obdlog.transport.adapter_link import AdapterTransport
from obdlog.transport.playback import PlaybackTransport
from obdlog.transport.recording import RecordingTransport
from tests.transport.fake_adapter import FakeAdapter, Script, said

RPM = Request(b"\x01\x0c", purpose="poll")


def recording(
    path: Path, *, keep_wire: bool = False, **script: Script | list[Script]
) -> tuple[RecordingTransport, SessionWriter, FakeAdapter]:
    adapter = FakeAdapter({name.removeprefix("_"): entry for name, entry in script.items()})
    writer = SessionWriter(path, SessionHeader(version=1), adapter.clock)
    transport = RecordingTransport(AdapterTransport(adapter), writer, keep_wire=keep_wire)
    transport.connect()
    return transport, writer, adapter


def test_exchanges_and_voltage_are_written(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    transport, writer, adapter = recording(path, _010C=said("7E804410C1AF8"))
    exchange = transport.exchange(RPM)
    assert transport.voltage_v() == 12.4
    transport.close()
    writer.end("finished")
    session = read_session(path)
    assert session.exchanges[0].request == RPM
    assert session.exchanges[0].messages[0].payload == exchange.messages[0].payload
    assert session.adapter[0].voltage == 12.4
    assert session.wire == []
    assert adapter.closed == 1
    assert (transport.kind, transport.url) == ("adapter", adapter.url)
    assert transport.identity
    assert transport.protocol is not None


def test_the_wire_is_written_around_what_is_odd(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    transport, writer, _ = recording(path, _010C=[said("7E80441#C"), said("7E804410C1AF8")])
    transport.exchange(RPM)
    transport.exchange(RPM)
    writer.end("finished")
    session = read_session(path)
    assert len(session.exchanges) == 2
    text = "".join(chunk.raw for chunk in session.wire)
    assert text == "010C\r7E80441#C\r\r>010C\r7E804410C1AF8\r\r>"


def test_the_wire_is_written_always_when_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    transport, writer, _ = recording(path, keep_wire=True, _010C=said("7E804410C1AF8"))
    transport.exchange(RPM)
    writer.end("finished")
    assert [(w.dir, w.raw) for w in read_session(path).wire] == [
        (">", "010C\r"),
        ("<", "7E804410C1AF8\r\r>"),
    ]


def test_a_lost_link_is_written_before_it_is_raised_and_ends_in_a_gap(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    transport, writer, adapter = recording(
        path, _010C=[LinkClosedError("unplugged"), said("7E804410C1AF8")]
    )
    with pytest.raises(LinkClosedError):
        transport.exchange(RPM)
    adapter.time.sleep_s(3.0)
    adapter.unplugged = None
    transport.exchange(RPM)
    writer.end("finished")
    session = read_session(path)
    assert [e.outcome for e in session.exchanges] == [Outcome.LOST, Outcome.ANSWERED]
    assert session.exchanges[0].note == "unplugged"
    assert session.gaps[0].cause == "unplugged"
    assert session.gaps[0].until - session.gaps[0].at >= 3.0


def test_what_was_recorded_plays_back_the_same(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    transport, writer, _ = recording(path, _010C=said("7E804410C1AF8", "7E904410C1AF9"))
    exchange = transport.exchange(RPM)
    writer.end("finished")
    again = PlaybackTransport(path)
    again.connect()
    assert [m.payload for m in again.exchange(RPM).messages] == [
        m.payload for m in exchange.messages
    ]
