"""Captures of any origin: one clear sentence, bounded memory, never a traceback."""

from __future__ import annotations

import contextlib
import gzip
import sqlite3
import struct
import zlib
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from obdlog.capture import frames as frames_module
from obdlog.capture import read as read_module
from obdlog.capture.frames import Sender, Steady, Store, has_transport_form
from obdlog.capture.importing import import_capture
from obdlog.capture.read import read_capture
from obdlog.cli.app import app
from obdlog.errors import InputFileError, ObdlogError
from obdlog.session.reader import read_session

SUFFIXES = [".log", ".asc", ".blf", ".trc", ".csv", ".mf4", ".db", ".log.gz"]
GARBAGE = bytes(range(256)) * 40


def sentence(path: Path) -> str:
    """Return what `obdlog import` says of a file that it cannot take."""
    result = CliRunner().invoke(app, ["import", str(path)])
    assert result.exit_code == 6, (result.exit_code, result.output)
    assert "Traceback" not in result.output
    assert not list(path.parent.glob("*.session.jsonl"))
    return " ".join(result.stderr.split())


@pytest.mark.filterwarnings("default")  # of asammdf and its dependencies
@pytest.mark.parametrize("suffix", SUFFIXES)
def test_an_empty_file(tmp_path, suffix) -> None:
    path = tmp_path / f"capture{suffix}"
    path.write_bytes(b"")
    assert "empty" in sentence(path)


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize(
    "content", [GARBAGE, b"\0" * 5000, b"\n" * 5000, b"\xff", b"LOGG", b"MDF     "], ids=repr
)
def test_binary_garbage(tmp_path, suffix, content) -> None:
    path = tmp_path / f"capture{suffix}"
    path.write_bytes(content)
    assert path.name in sentence(path).replace(" ", "")


@pytest.mark.parametrize("name", ["capture.xyz", "capture", "capture.gz", "capture.pdf"])
def test_a_suffix_that_says_nothing(tmp_path, name) -> None:
    path = tmp_path / name
    path.write_text("lorem ipsum\n", encoding="utf-8")
    assert "column" in sentence(path)


def test_a_folder_and_a_missing_file(tmp_path) -> None:
    (tmp_path / "folder.log").mkdir()
    for name, says in (("folder.log", "is not a file"), ("none.log", "does not exist")):
        with pytest.raises(InputFileError, match=says):
            read_capture(tmp_path / name)


@given(st.binary(max_size=400), st.sampled_from([".log", ".asc", ".blf", ".trc", ".csv", ".db"]))
@settings(max_examples=150, deadline=None)
def test_no_bytes_raise_anything_but_our_own_error(tmp_path_factory, content, suffix) -> None:
    path = tmp_path_factory.mktemp("fuzz") / f"capture{suffix}"
    path.write_bytes(content)
    with contextlib.suppress(ObdlogError):
        read_capture(path)
    assert path.read_bytes() == content


def blf(path: Path, count: int = 200) -> bytes:
    """Write a BLF file of many small blocks with python-can and return its bytes."""
    writer = can.BLFWriter(path)
    writer.max_container_size = 1000
    for n in range(count):
        writer.on_message_received(
            can.Message(
                timestamp=1.7e9 + n / 10,
                arbitration_id=0x7E8,
                is_extended_id=False,
                data=bytes.fromhex("04410C1FD0000000"),
                channel=0,
            )
        )
    writer.stop()
    return path.read_bytes()


@given(st.data())
@settings(max_examples=80, deadline=None)
def test_a_changed_blf_file_is_read_in_part_or_refused(tmp_path_factory, data) -> None:
    path = tmp_path_factory.mktemp("blf") / "capture.blf"
    content = bytearray(blf(path, 40))
    for _ in range(data.draw(st.integers(1, 5))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content)
    with contextlib.suppress(InputFileError):
        assert read_capture(path).tally.frames <= 40


@pytest.mark.parametrize("cut", [1, 10, 100, 1000])
def test_what_a_binary_file_held_before_its_end_was_cut_off_counts(tmp_path, cut) -> None:
    path = tmp_path / "capture.blf"
    content = blf(path)
    path.write_bytes(content[:-cut])
    tally = read_capture(path).tally
    assert 50 < tally.frames <= 200
    assert tally.damage == "the file ends in the middle of a block" or tally.frames == 200


def test_damage_is_told_with_what_was_read(tmp_path) -> None:
    path = tmp_path / "capture.blf"
    content = bytearray(blf(path))
    half = content.index(b"LOBJ", len(content) // 2)
    content[half : half + 4] = b"JUNK"
    path.write_bytes(content)
    result = CliRunner().invoke(app, ["import", str(path)])
    assert result.exit_code == 0
    assert "read up to the damage only" in " ".join(result.stderr.split())
    session = read_session(tmp_path / "capture.session.jsonl")
    assert 50 < len(session.exchanges) < 150


@pytest.mark.parametrize("cut", [5, 60])
def test_a_packed_log_that_ends_early(tmp_path, cut) -> None:
    lines = "".join(f"({1.7e9 + n:.6f}) can0 7E8#04410C1FD0\n" for n in range(5000))
    path = tmp_path / "capture.log.gz"
    path.write_bytes(gzip.compress(lines.encode())[:-cut])
    tally = read_capture(path).tally
    assert 1000 < tally.frames <= 5000
    assert tally.damage == "the compressed data end early"


def test_a_block_that_unpacks_without_end_is_not_unpacked(tmp_path) -> None:
    path = tmp_path / "capture.blf"
    content = blf(path, 20)
    bomb = zlib.compress(bytes(80 << 20), 9)
    size = 32 + len(bomb)
    block = struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10)
    block += struct.pack("<H6xL4x", 2, 1000) + bomb + b"\0" * (size % 4)
    path.write_bytes(content + block)
    tally = read_capture(path).tally
    assert tally.frames == 20
    assert tally.damage == "a block unpacks to more than 64 MiB"


def test_a_block_that_claims_gigabytes(tmp_path) -> None:
    path = tmp_path / "capture.blf"
    block = struct.pack("<4sHHLL", b"LOBJ", 16, 1, 0xFFFF_FFF0, 10)
    path.write_bytes(blf(path, 20) + block + bytes(100))
    tally = read_capture(path).tally
    assert tally.frames == 20
    assert tally.damage == "a block claims more than 64 MiB"


COLUMNS = "ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER, "
TABLE = f"CREATE TABLE messages ({COLUMNS} dlc INTEGER, data BLOB)"


@pytest.mark.parametrize(
    ("statements", "says"),
    [
        (["CREATE TABLE other (x)"], "without a table of CAN frames"),
        (["CREATE TABLE messages (x)"], "not one of CAN frames"),
        (
            [
                "CREATE VIEW messages AS WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x "
                "FROM n) SELECT x FROM n"
            ],
            "without a table of CAN frames",
        ),
        ([TABLE, "INSERT INTO messages VALUES ('soon', 2024, 0, 0, 0, 1, x'00')"], "row 1"),
        ([TABLE, "INSERT INTO messages VALUES (1, 2024, 0, 0, 0, 1, 99999999999)"], "row 1"),
        ([TABLE, "INSERT INTO messages VALUES (1, 2024, 0, 0, 0, 1, zeroblob(1000))"], "row 1"),
        ([TABLE], "no frame in it"),
    ],
)
def test_a_database_of_something_else(tmp_path, statements, says) -> None:
    path = tmp_path / "capture.db"
    with contextlib.closing(sqlite3.connect(path)) as database:
        for statement in statements:
            database.execute(statement)
        database.commit()
    before = path.read_bytes()
    assert says in sentence(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "frames",
    [
        [(0, "7E8", "1FFF490201303030"), (0.1, "7E8", "2130303030303030")],
        [(0, "7E8", "1000FFFFFFFF4902")],
        [(0, "7E8", "1000000000004902")],
        [(0, "7E8", "1007490201303030")],
        [(n / 10, "7E8", f"2{n % 16:X}30303030303030") for n in range(200)],
        [(n / 10, "7E8", "1FFF490201303030") for n in range(200)],
        [(0, "7E8", "00"), (1, "7E8", "0F410C"), (2, "7E8", "F0"), (3, "7E8", "07410C")],
        [(0, "7E8", "3000"), (1, "7E0", "3FFFFF")],
        [(0, "7DF", "00"), (1, "7DF", "0141"), (2, "7E8", "020100")],
    ],
    ids=range(9),
)
def test_lengths_that_lie_give_no_message(candump, tmp_path, frames) -> None:
    good = [(100, "7DF", "02010C"), (100.01, "7E8", "04410C1FD0")]
    target = tmp_path / "out.session.jsonl"
    summary = import_capture(candump([*frames, *good]), target)
    (exchange,) = read_session(target).exchanges
    assert exchange.messages[0].payload == bytes.fromhex("410C1FD0")
    assert len(summary.faults) <= 100
    assert summary.tally.frames == len(frames) + 2


IDS = st.sampled_from(["7DF", "7E0", "7E8", "7E9", "7B0", "7B8", "18DB33F1", "18DAF110"])
HEADS = st.sampled_from(
    ["02010C", "04410C", "1014", "21", "22", "30", "037F01", "0322F1", "0662F1"]
)


@given(st.lists(st.tuples(st.integers(0, 3_000_000), IDS, HEADS, st.binary(max_size=6))))
@settings(max_examples=100, deadline=None)
def test_any_frames_give_a_sound_session_or_none(tmp_path_factory, frames) -> None:
    folder = tmp_path_factory.mktemp("any")
    at_us = 0
    lines = []
    for step_us, name, head, rest in frames:
        at_us += step_us
        data = (head + rest.hex().upper())[:16]
        lines.append(f"({at_us // 10**6}.{at_us % 10**6:06d}) can0 {name}#{data}\n")
    (folder / "capture.log").write_text("".join(lines), encoding="utf-8")
    with contextlib.suppress(InputFileError):
        summary = import_capture(folder / "capture.log", folder / "out.session.jsonl")
        session = read_session(folder / "out.session.jsonl")
        assert session.warnings == []
        assert len(session.exchanges) == summary.exchanges
        held = sum(len(e.messages) for e in session.exchanges)
        assert held <= sum(m.messages for m in summary.modules) <= len(frames)
        assert all(m.after_s >= 0 for e in session.exchanges for m in e.messages)
        assert all(e.at_s <= summary.seconds + 1e-6 for e in session.exchanges)


def test_times_that_fall_or_stand_still(imported) -> None:
    exchanges, summary = imported(
        [
            (10.0, "7E8", "04410C1FD0"),
            (10.0, "7E8", "04410C1FD1"),
            (9.9, "7E8", "04410C1FD2"),
            (10.5, "7E8", "04410C1FD3"),
            (2.0, "7E8", "04410C1FD4"),
            (3.0, "7E8", "04410C1FD5"),
        ]
    )
    assert [e.at_s for e in exchanges] == pytest.approx([0, 0, 0, 0.5, 0.5, 1.5], abs=1e-6)
    assert [e.messages[0].payload[-1] for e in exchanges] == [0xD0, 0xD1, 0xD2, 0xD3, 0xD4, 0xD5]
    assert summary.tally.odd_times == 2


@given(st.lists(st.floats(0, 1e11)))
def test_placed_times_never_fall_and_begin_at_zero(stamps) -> None:
    clock = Steady()
    placed = [clock.place(stamp) for stamp in stamps]
    assert placed == sorted(placed)
    assert placed[:1] == [0.0] * bool(placed)


def test_a_clock_that_was_set_makes_no_session_of_years(candump, tmp_path) -> None:
    """A recorder that starts in 1970 and learns the date later."""
    target = tmp_path / "out.session.jsonl"
    stamps = ("1.0", "1700000000.0", "1700000000.5", "90000000000.0")
    summary = import_capture(candump([f"({t}) can0 7E8#04410C1FD0" for t in stamps]), target)
    session = read_session(target)
    assert [e.at_s for e in session.exchanges] == pytest.approx([0, 0, 0.5, 0.5], abs=1e-6)
    assert session.warnings == []
    assert session.header.started == ""
    assert summary.tally.odd_times == 2


def test_many_long_answers_to_one_request_stay_readable_lines(candump, tmp_path) -> None:
    """The reader of session files bounds a line; 255 modules may each send 4095 bytes."""
    frames = [(0, "18DB33F1", "020902")]
    for module in range(0x10, 0x90):
        name = f"18DAF1{module:02X}"
        frames.append((0.1, name, "1FFF490201303030"))
        frames += [(0.1, name, f"2{n % 16:X}" + "30" * 7) for n in range(1, 586)]
    target = tmp_path / "out.session.jsonl"
    summary = import_capture(candump(frames), target)
    session = read_session(target)
    assert session.warnings == []
    assert sum(len(e.messages) for e in session.exchanges) == len(summary.modules) == 128


def test_the_number_of_frames_is_bounded(candump, monkeypatch) -> None:
    path = candump([(n / 10, "7E8", "04410C1FD0") for n in range(100)])
    monkeypatch.setattr(read_module, "MOST_FRAMES", 50)
    tally = read_capture(path).tally
    assert (tally.frames, tally.damage) == (50, "more than 50 frames; the rest was not read")
    monkeypatch.setattr(frames_module, "MOST_KEPT_FRAMES", 20)
    assert len(read_capture(path).store) == 20


def test_body_traffic_costs_no_memory() -> None:
    """Neither identifiers below 700 nor periodic ones above are kept."""
    store = Store()
    sender = Sender("can0", 0x705, False)
    for n in range(100_000):
        assert store.add(n / 1000, sender, bytes([0xF0, n % 256]))
    assert len(store) < 100
    assert list(store.frames()) == []


def test_a_kept_frame_costs_few_bytes() -> None:
    store = Store()
    sender = Sender("can0", 0x7E8, False)
    for n in range(10_000):
        store.add(n / 1000, sender, bytes(8))
    assert store.size_bytes < 40 * 10_000
    assert len(list(store.frames())) == 10_000


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("", False), ("00", False), ("0141", True), ("0741", False), ("0A410C", False),
        ("1014490201303030", True), ("1014", False), ("21", False), ("2130", True),
        ("300000", True), ("3300", False), ("400000", False),
        ("000841414141414141410000", True), ("000B41414141414141410000", False),
    ],
)  # fmt: skip
def test_the_form_of_transport_frames(data, expected) -> None:
    """Frame types of ISO 15765-2."""
    assert has_transport_form(bytes.fromhex(data)) is expected


def test_what_a_file_says_never_reaches_the_terminal_as_it_is(tmp_path) -> None:
    path = tmp_path / "capture.log"
    path.write_text(
        "(1.0) can\x1b[31m 7E8#04410C1FD0\n(2.0) c\u202en0 7E8#04410C1FD0\n"
        "(3.0) can0 7E8#04410C1FD0\n",
        encoding="utf-8",
    )
    result = CliRunner().invoke(app, ["import", str(path), "--note", "a\x1b[31mb"])
    assert result.exit_code == 0
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output
    assert "line 1 holds control characters" in result.stderr
    assert "\x1b" not in read_session(tmp_path / "capture.session.jsonl").header.origin
