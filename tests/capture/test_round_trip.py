"""A session exported and imported again holds the same payloads, sources and times."""

from __future__ import annotations

import tempfile
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.capture.exporting import export_capture
from obdlog.capture.importing import import_capture
from obdlog.clock import ManualClock
from obdlog.errors import InputFileError
from obdlog.model import EcuMessage, Exchange, Request
from obdlog.session.format import SessionHeader
from obdlog.session.reader import read_session
from obdlog.session.writer import SessionWriter

ROOT = Path(__file__).parents[2]
STARTED = "2026-03-01T08:00:00.250000Z"
ADDRESSES = {
    11: [("7E0", "7E8"), ("7E1", "7E9"), ("7E7", "7EF")],
    29: [("18DA10F1", "18DAF110"), ("18DA18F1", "18DAF118"), ("18DA28F1", "18DAF128")],
}
MICROSECOND = 1e-6


@st.composite
def exchange(draw: st.DrawFn, width: int) -> tuple[int, Request, list[tuple[str, bytes, int]]]:
    """Return microseconds since the one before, request, and answers with their microseconds."""
    pairs = ADDRESSES[width]
    item = draw(st.sampled_from(["010C", "0902", "22F190", "1902AF", "0100", "22F190F187F195F18C"]))
    request = bytes.fromhex(item)
    repeated = request[1:3] if request[0] == 0x22 else request[1:2]
    physical = len(request) > 7 or draw(st.booleans())
    chosen = draw(st.lists(st.sampled_from(pairs), min_size=1, max_size=3, unique=True))
    answers = []
    for _, source in chosen[: 1 if physical else 3]:
        rest = draw(st.binary(max_size=draw(st.sampled_from([4, 40, 4090]))))
        refused = draw(st.integers(0, 9)) == 0
        payload = (
            bytes([0x7F, request[0], 0x31])
            if refused
            else bytes([request[0] + 0x40]) + repeated + rest
        )
        answers.append((source, payload, draw(st.integers(0, 150_000))))
    target = chosen[0][0] if physical else "functional"
    return draw(st.integers(200_000, 5_000_000)), Request(request, target), answers


@st.composite
def sessions(draw: st.DrawFn) -> list[Exchange]:
    width = draw(st.sampled_from(list(ADDRESSES)))
    at_us = 0
    made = []
    for step_us, request, answers in draw(st.lists(exchange(width), min_size=1, max_size=8)):
        at_us += step_us
        messages = tuple(
            EcuMessage(source, payload, after_us / 1e6)
            for source, payload, after_us in sorted(answers, key=lambda a: a[2])
        )
        made.append(Exchange(at_us / 1e6, request, messages))
    return made


def write(path: Path, exchanges: list[Exchange], started: str = STARTED) -> Path:
    clock = ManualClock()
    header = SessionHeader(version=1, started=started, transport="can")
    with SessionWriter(path, header, clock) as writer:
        for one in exchanges:
            writer.exchange(one)
    return path


def outline(exchanges: list[Exchange]) -> list[tuple[object, ...]]:
    return [
        (e.request.payload, e.request.target, sorted((m.source, m.payload) for m in e.messages))
        for e in exchanges
    ]


def times(exchanges: list[Exchange]) -> list[float]:
    """Return all times counted from the first request."""
    zero = exchanges[0].at_s
    return [
        t
        for e in exchanges
        for t in [e.at_s - zero, *sorted(e.at_s - zero + m.after_s for m in e.messages)]
    ]


@pytest.mark.parametrize("suffix", [".log", ".asc"])
@given(exchanges=sessions())
@settings(max_examples=40, deadline=None)
def test_export_and_import_give_the_same_session(suffix, exchanges) -> None:
    with tempfile.TemporaryDirectory() as folder:
        there = Path(folder)
        source = write(there / "one.session.jsonl", exchanges)
        export_capture(source, there / f"capture{suffix}")
        summary = import_capture(there / f"capture{suffix}", there / "two.session.jsonl")
        before, after = read_session(source), read_session(there / "two.session.jsonl")
    assert outline(after.exchanges) == outline(before.exchanges)
    assert times(after.exchanges) == pytest.approx(times(before.exchanges), abs=1.5 * MICROSECOND)
    assert (summary.inferred, summary.faults, summary.tally.skipped) == (0, (), 0)


@pytest.mark.parametrize("suffix", [".log", ".asc"])
def test_python_can_reads_what_is_written(tmp_path, suffix) -> None:
    path = tmp_path / f"capture{suffix}"
    done = export_capture(ROOT / "sample_logs" / "airbox-before.session.jsonl", path)
    with can.LogReader(path) as log:
        frames = list(log)
    assert len(frames) == done.frames > 50
    stamps = [f.timestamp for f in frames]
    assert stamps == sorted(stamps)
    assert {f.dlc for f in frames} == {8}
    assert {f.is_rx for f in frames if f.arbitration_id in (0x7DF, 0x7E0, 0x7E1)} == {False}


def test_absolute_time_is_kept_in_a_candump_log(tmp_path) -> None:
    one = Exchange(1.5, Request(b"\x01\x0c"), (EcuMessage("7E8", b"\x41\x0c\x1f\xd0", 0.012345),))
    source = write(tmp_path / "one.session.jsonl", [one])
    path = tmp_path / "capture.log"
    export_capture(source, path)
    assert path.read_text(encoding="utf-8").splitlines() == [
        "(1772352001.750000) can0 7DF#02010C0000000000 T",
        "(1772352001.762345) can0 7E8#04410C1FD0000000 R",
    ]
    summary = import_capture(path, tmp_path / "two.session.jsonl")
    assert summary.started == "2026-03-01T08:00:01.750000Z"


def test_requests_that_were_never_seen_are_not_made_up(tmp_path, captures) -> None:
    first, second = tmp_path / "one.session.jsonl", tmp_path / "two.session.jsonl"
    import_capture(captures / "ecu_replies_7e8.log", first)
    done = export_capture(first, tmp_path / "again.log")
    assert (done.frames, done.unseen) == (500, 500)
    import_capture(tmp_path / "again.log", second)
    assert read_session(second).exchanges == read_session(first).exchanges


@pytest.mark.parametrize(
    ("exchanges", "says"),
    [
        ([Exchange(0, Request(b"\x03"), (EcuMessage("10", b"\x43\0\0"),))], "a bus before CAN"),
        ([Exchange(0, Request(b"\x03"), (EcuMessage("unknown", b"\x43\0"),))], "no messages"),
        ([], "no messages"),
    ],
)
def test_a_session_without_can_messages_is_one_sentence(tmp_path, exchanges, says) -> None:
    source = write(tmp_path / "one.session.jsonl", exchanges)
    with pytest.raises(InputFileError, match=says):
        export_capture(source, tmp_path / "capture.log")
    assert [p.name for p in tmp_path.iterdir()] == ["one.session.jsonl"]


def test_an_export_overwrites_nothing(tmp_path) -> None:
    one = Exchange(0, Request(b"\x01\x0c"), (EcuMessage("7E8", b"\x41\x0c\x1f\xd0", 0.01),))
    source = write(tmp_path / "one.session.jsonl", [one])
    (tmp_path / "capture.log").write_text("mine", encoding="utf-8")
    with pytest.raises(InputFileError, match="exists already"):
        export_capture(source, tmp_path / "capture.log")
    assert (tmp_path / "capture.log").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    "started", ["", "soon", "2026-03-01T08:00:00", "0001-01-01T00:00:00Z", "9999-01-01T00:00:00Z"]
)
def test_a_session_without_a_sound_start_counts_from_zero(tmp_path, started) -> None:
    one = Exchange(0.5, Request(b"\x01\x0c"), (EcuMessage("7E8", b"\x41\x0c\x1f\xd0", 0.01),))
    source = write(tmp_path / "one.session.jsonl", [one], started)
    export_capture(source, tmp_path / "capture.log")
    assert (tmp_path / "capture.log").read_text(encoding="utf-8").startswith("(0.500000) can0 7DF#")


def test_a_capture_is_written_as_log_or_asc_only(tmp_path) -> None:
    with pytest.raises(ValueError, match=r"\.asc or \.log"):
        export_capture(tmp_path / "one.session.jsonl", tmp_path / "capture.blf")
