"""The writer keeps every completed line, whatever happens after it."""

from __future__ import annotations

import errno
import json
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from obdlog.clock import ManualClock
from obdlog.errors import SessionFileError
from obdlog.model import EcuMessage, Exchange, Outcome, Request, WireChunk, Work
from obdlog.session.format import SessionHeader
from obdlog.session.reader import read_session
from obdlog.session.writer import SessionWriter

HEADER = SessionHeader(
    version=1,
    started="2026-01-02T03:04:05Z",
    software="obdlog test",
    link="sim://x",
    transport="adapter",
    protocol="ISO 15765-4 (11 bit, 500 kbit/s)",
    vehicle={"displacement_l": 1.6, "fuel": "petrol"},
    work=Work(replaced=("airflow sensor",)),
    tables="1",
)


def exchange(at_s: float, outcome: Outcome = Outcome.ANSWERED) -> Exchange:
    messages = (EcuMessage("7E8", b"\x41\x0c\x1a\xf8", 0.03),)
    return Exchange(at_s, Request(b"\x01\x0c"), messages, outcome)


def write_example(path: Path) -> None:
    clock = ManualClock(100.0)
    with SessionWriter(path, HEADER, clock, ManualClock()) as writer:
        writer.adapter(voltage_v=12.6, identity="ADAPTER v1", capability={"headers": True})
        for _ in range(3):
            clock.sleep_s(1.0)
            writer.exchange(exchange(clock.now_s()))
        writer.mark("warm idle \ud800")
        writer.gap(103.0, 104.5, "link lost")
        writer.wire(WireChunk(103.5, "<", b"\x00\xff"))
        writer.reading("RPM", 850.5, "min-1", at_s=103.6, source="import")
        writer.exchange(exchange(104.0, Outcome.LOST))


def test_the_lines_are_those_of_the_contract(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    write_example(path)
    lines = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    kinds = " ".join(line["kind"] for line in lines)
    assert kinds == (
        "session adapter exchange exchange exchange mark gap wire reading exchange end"
    )
    assert lines[0]["version"] == 1
    assert lines[0]["work"] == {"unplugged": [], "replaced": ["airflow sensor"]}
    assert lines[1] == {
        "kind": "adapter",
        "at": 0.0,
        "voltage": 12.6,
        "identity": "ADAPTER v1",
        "capability": {"headers": True},
    }
    assert lines[2]["at"] == 1.0
    assert lines[6] == {"kind": "gap", "at": 3.0, "until": 4.5, "cause": "link lost"}
    assert lines[7] == {"kind": "wire", "at": 3.5, "dir": "<", "raw": "\x00ÿ"}
    assert lines[8] == {
        "kind": "reading",
        "at": 3.6,
        "signal": "RPM",
        "value": 850.5,
        "unit": "min-1",
        "source": "import",
    }
    assert lines[-1]["reason"] == "finished"
    assert lines[-1]["counts"] == {
        "exchanges": 4,
        "messages": 4,
        "lost": 1,
        "marks": 1,
        "gaps": 1,
    }


def test_written_and_read_back_is_the_same(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    write_example(path)
    session = read_session(path)
    assert session.header == HEADER
    assert session.complete
    assert session.warnings == []
    assert [e.at_s for e in session.exchanges] == [1.0, 2.0, 3.0, 4.0]
    assert session.exchanges[0].messages == exchange(0).messages
    assert session.exchanges[-1].outcome is Outcome.LOST
    assert session.marks[0].text == "warm idle ?"
    assert session.readings[0].value == 850.5


def test_an_existing_file_is_never_touched(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    path.write_text("precious", "utf-8")
    with pytest.raises(SessionFileError, match="exists already"):
        SessionWriter(path, HEADER)
    assert path.read_text("utf-8") == "precious"


def test_a_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError, match="cannot create"):
        SessionWriter(tmp_path / "no" / "a.session.jsonl", HEADER)


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permission bits")
def test_only_the_owner_may_read_it(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    SessionWriter(path, HEADER).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_each_line_is_in_the_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    writer = SessionWriter(path, HEADER)
    for count in range(1, 4):
        writer.exchange(exchange(0))
        assert path.read_bytes().count(b"\n") == 1 + count
    writer.close()


def test_it_syncs_when_a_second_has_passed_and_when_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    disk = ManualClock()
    writer = SessionWriter(tmp_path / "a.session.jsonl", HEADER, ManualClock(), disk)
    # The first line, and on POSIX systems the folder that holds the new name.
    start = 2 if os.name == "posix" else 1
    assert len(synced) == start
    for _ in range(10):
        disk.sleep_s(0.125)
        writer.exchange(exchange(0))
    assert len(synced) == start + 1
    writer.sync()
    assert len(synced) == start + 2
    writer.end("finished")
    assert len(synced) == start + 3


def test_a_full_disk_is_one_sentence_and_keeps_all_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.session.jsonl"
    writer = SessionWriter(path, HEADER)
    writer.exchange(exchange(0))
    whole = path.read_bytes()
    real_write = os.write

    def fill_up(fd: int, data: bytes) -> int:
        if len(data) > 10:
            return real_write(fd, data[:10])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", lambda fd, data: fill_up(fd, data[:11]))
    with pytest.raises(SessionFileError, match="no space left on device; all before it is kept"):
        writer.exchange(exchange(1))
    assert path.read_bytes() == whole
    monkeypatch.undo()
    writer.exchange(exchange(2))
    writer.end("finished")
    assert [e.at_s for e in read_session(path).exchanges] == [0.0, 0.0]


def test_a_header_that_cannot_be_written_leaves_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(fd: int, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    path = tmp_path / "a.session.jsonl"
    with pytest.raises(SessionFileError, match="cannot write"):
        SessionWriter(path, HEADER)
    assert not path.exists()


def test_an_interrupt_within_a_line_loses_and_doubles_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.session.jsonl"
    writer = SessionWriter(path, HEADER, ManualClock())
    real_write = os.write

    def interrupted(fd: int, data: bytes) -> int:
        real_write(fd, data[: len(data) // 2])
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "write", interrupted)
    with pytest.raises(KeyboardInterrupt):
        writer.exchange(exchange(1))
    monkeypatch.undo()
    writer.end("interrupted")
    session = read_session(path)
    assert [e.at_s for e in session.exchanges] == [1.0]
    assert session.end is not None
    assert session.end.reason == "interrupted"
    assert session.warnings == []


@pytest.mark.parametrize(
    ("raised", "reason"), [(KeyboardInterrupt, "interrupted"), (RuntimeError, "fault")]
)
def test_leaving_by_an_exception_says_so(
    tmp_path: Path, raised: type[BaseException], reason: str
) -> None:
    path = tmp_path / "a.session.jsonl"
    with pytest.raises(raised), SessionWriter(path, HEADER):
        raise raised
    end = read_session(path).end
    assert end is not None
    assert end.reason == reason


def test_a_closed_writer_refuses_and_closing_twice_is_harmless(tmp_path: Path) -> None:
    writer = SessionWriter(tmp_path / "a.session.jsonl", HEADER)
    writer.close()
    writer.close()
    writer.end("again")
    with pytest.raises(SessionFileError, match="is closed"):
        writer.exchange(exchange(0))


def test_stopped_after_every_byte_all_whole_exchanges_are_read(tmp_path: Path) -> None:
    whole = tmp_path / "whole.session.jsonl"
    write_example(whole)
    data = whole.read_bytes()
    header_end = data.index(b"\n")
    cut_file = tmp_path / "cut.session.jsonl"
    for cut in range(len(data) + 1):
        cut_file.write_bytes(data[:cut])
        if cut < header_end:
            with pytest.raises(SessionFileError, match=r"empty|breaks off"):
                read_session(cut_file)
            continue
        session = read_session(cut_file)
        # A line that lacks nothing but its line break counts as whole.
        lines = [part for part in data[:cut].split(b"\n") if part.endswith(b"}")]
        expected = sum(
            1 for part in lines if part.startswith(b'{"kind":"exchange"') and _is_json(part)
        )
        assert len(session.exchanges) == expected, cut
        torn = not _is_json(data[:cut].split(b"\n")[-1] or b"{}")
        assert bool(session.warnings) is torn, cut


def _is_json(text: bytes) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_killed_outright_every_reported_exchange_is_there(tmp_path: Path) -> None:
    path = tmp_path / "a.session.jsonl"
    program = (
        "import sys\n"
        "from obdlog.model import EcuMessage, Exchange, Request\n"
        "from obdlog.session.format import SessionHeader\n"
        "from obdlog.session.writer import SessionWriter\n"
        "writer = SessionWriter(sys.argv[1], SessionHeader(version=1))\n"
        "n = 0\n"
        "while True:\n"
        "    got = (EcuMessage('7E8', b'\\x41\\x0c' + n.to_bytes(4, 'big')),)\n"
        "    writer.exchange(Exchange(0.0, Request(b'\\x01\\x0c'), got))\n"
        "    n += 1\n"
        "    print(n, flush=True)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        reported = 0
        for line in child.stdout:
            reported = int(line)
            if reported >= 200:
                child.send_signal(signal.SIGKILL)
                break
        reported = max([reported, *map(int, child.stdout.read().split("\n")[:-1])])
    exchanges = read_session(path).exchanges
    assert len(exchanges) >= reported
    numbers = [int.from_bytes(e.messages[0].payload[2:], "big") for e in exchanges]
    assert numbers == list(range(len(exchanges)))
