"""Every format that python-can can write, written by its own writers and read back.

The outside opinion is python-can: what its readers make of the same file.
"""

from __future__ import annotations

import gzip
import importlib.util
import shutil
from collections.abc import Iterable
from pathlib import Path

import can
import pytest

from obdlog.capture.importing import import_capture
from obdlog.capture.read import capture_format, read_capture
from obdlog.errors import InputFileError
from obdlog.session.reader import read_session

START_S = 1_700_000_000.0
CONVERSATION = [
    (0.0, 0x7DF, "0201000000000000"),
    (0.013257, 0x7E8, "06410080000000AA"),
    (0.020001, 0x7E9, "06410080000000AA"),
    (0.5, 0x7DF, "0209020000000000"),
    (0.51, 0x7E8, "1014490201303030"),
    (0.511, 0x7E0, "3000000000000000"),
    (0.512, 0x7E8, "2130303030303030"),
    (0.513, 0x7E8, "2230303030303030"),
    (1.0, 0x18DB33F1, "02010C0000000000"),
    (1.02, 0x18DAF110, "04410C1FD0000000"),
    (1.5, 0x123, "0011223344556677"),
]
EXPECTED = [
    ("0100", "functional", {"7E8": "410080000000", "7E9": "410080000000"}),
    ("0902", "functional", {"7E8": "490201" + "30" * 17}),
    ("010C", "functional", {"18DAF110": "410C1FD0"}),
]
WRITERS = [
    ".log",
    ".asc",
    ".blf",
    ".trc",
    ".csv",
    ".db",
    ".log.gz",
    ".asc.gz",
    ".csv.gz",
    ".blf.gz",
]
if importlib.util.find_spec("asammdf"):
    WRITERS += [".mf4", ".mf4.gz"]


def messages(channel: int | None = 0) -> Iterable[can.Message]:
    for at_s, identifier, data in CONVERSATION:
        yield can.Message(
            timestamp=START_S + at_s,
            arbitration_id=identifier,
            is_extended_id=identifier > 0x7FF,
            data=bytes.fromhex(data),
            channel=channel,
            is_rx=identifier not in (0x7DF, 0x7E0, 0x18DB33F1),
        )


def write(path: Path) -> Path:
    """Write the conversation with python-can; what its writers do not pack, gzip packs."""
    packed = path.suffix == ".gz"
    plain = path.with_suffix("") if packed else path
    with can.Logger(plain) as logger:
        for message in messages():
            logger.on_message_received(message)
    if packed:
        with plain.open("rb") as source, gzip.open(path, "wb") as target:
            shutil.copyfileobj(source, target)
        plain.unlink()
    return path


@pytest.mark.filterwarnings("default")  # of asammdf and its dependencies
@pytest.mark.parametrize("suffix", WRITERS)
def test_what_python_can_writes_is_read(tmp_path, as_text, suffix) -> None:
    path = write(tmp_path / f"capture{suffix}")
    target = tmp_path / "capture.session.jsonl"
    summary = import_capture(path, target, note="a test")
    session = read_session(target)
    assert as_text(session.exchanges) == EXPECTED
    assert summary.tally.frames == len(CONVERSATION)
    assert (summary.tally.skipped, summary.tally.damage, summary.faults) == (0, "", ())
    assert [e.at_s for e in session.exchanges] == pytest.approx([0, 0.5, 1.0], abs=2e-6)
    assert [m.after_s for m in session.exchanges[1].messages] == pytest.approx([0.013], abs=2e-6)
    assert session.header.origin == f"a test; capture {path.name}"
    assert session.header.protocol == "ISO 15765-4 CAN 11 bit"
    assert session.header.transport == "can"
    assert session.header.started.startswith("2023-11-14T22:13:20")


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("suffix", [s for s in WRITERS if not s.endswith(".gz")])
def test_frames_are_those_that_python_can_reads(tmp_path, suffix) -> None:
    path = write(tmp_path / f"capture{suffix}")
    with can.LogReader(path) as log:
        theirs = [
            (f"{m.arbitration_id:08X}" if m.is_extended_id else f"{m.arbitration_id:03X}", m.data)
            for m in log
            if m.arbitration_id != 0x123
        ]
    ours = [(f.sender.address, f.data) for f in read_capture(path).store.frames()]
    assert ours == theirs


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf", ".trc", ".csv", ".db"])
def test_the_format_is_told_from_what_is_in_the_file(tmp_path, suffix) -> None:
    path = write(tmp_path / f"capture{suffix}")
    misnamed = path.rename(tmp_path / "capture.txt")
    assert capture_format(misnamed) == suffix.removeprefix(".")
    assert read_capture(misnamed).tally.frames == len(CONVERSATION)


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("drive.csv", "time_s,pid,value\n0,0C,800\n", None),
        ("frames.csv", "timestamp,arbitration_id,extended,remote,error,dlc,data\n", "csv"),
        ("drive.txt", "time_s,pid,value\n0,0C,800\n", None),
        ("broken.log", "nothing of that kind\n", "log"),
        ("empty.blf", "", "blf"),
        ("x.session.jsonl", '{"kind":"session","version":1}\n', None),
    ],
)
def test_readings_and_captures_are_told_apart(tmp_path, name, text, expected) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    assert capture_format(path) == expected


def test_error_and_remote_frames_are_counted(tmp_path, candump) -> None:
    path = candump(
        [
            (0, "7E8", "04410C1FD0"),
            (1, "7E8", "R"),
            (2, "123", "R8"),
            (3, "20000080", "0000000000000000"),
            (4, "20000004", "0020000000000000"),
        ]
    )
    tally = read_capture(path).tally
    assert (tally.frames, tally.remote_frames, tally.error_frames, tally.skipped) == (5, 2, 2, 0)


def test_times_of_an_asc_log_that_count_from_the_event_before(tmp_path) -> None:
    """A head with ``timestamps relative``, typed by hand: each time is the step from the last."""
    path = tmp_path / "steps.asc"
    path.write_text(
        "date Tue Nov 14 10:13:20 pm 2023\nbase hex  timestamps relative\n"
        "no internal events logged\n// a comment\n"
        "0.000000 1  7DF             Tx   d 8 02 01 0C 00 00 00 00 00\n"
        "0.010000 1  7E8             Rx   d 8 04 41 0C 1F D0 00 00 00\n"
        "0.490000 1  Statistic: D 2 R 0 XD 0 XR 0 E 0 O 0 B 0.10%\n"
        "0.500000 1  7DF             Tx   d 8 02 01 0D 00 00 00 00 00\n"
        "0.020000 1  7E8             Rx   d 8 03 41 0D 20 00 00 00 00\n",
        encoding="utf-8",
    )
    target = tmp_path / "steps.session.jsonl"
    summary = import_capture(path, target)
    exchanges = read_session(target).exchanges
    assert [e.at_s for e in exchanges] == pytest.approx([0, 1.0], abs=1e-6)
    assert [e.messages[0].after_s for e in exchanges] == pytest.approx([0.01, 0.02], abs=1e-6)
    assert summary.tally.skipped == 0


@pytest.mark.parametrize("lines", [[], ["internal events logged"], ["no internal events logged"]])
def test_no_frame_behind_the_head_of_an_asc_log_is_lost(tmp_path, lines) -> None:
    path = tmp_path / "short.asc"
    head = ["date Tue Nov 14 10:13:20 pm 2023", "base hex  timestamps absolute", *lines]
    frame = "0.100000 1  7E8  Rx   d 5 04 41 0C 1F D0"
    path.write_text("\n".join([*head, frame]) + "\n", encoding="utf-8")
    assert read_capture(path).tally.frames == 1


def test_a_trace_of_version_1_1(tmp_path) -> None:
    """Typed by hand after the columns that the trace itself states in its comments."""
    path = tmp_path / "old.trc"
    path.write_text(
        ";$FILEVERSION=1.1\n;$STARTTIME=45244.9259259259\n;\n"
        "     1)        10.0  Tx     07DF  8  02 01 0C 00 00 00 00 00\n"
        "     2)        22.5  Rx     07E8  8  04 41 0C 1F D0 00 00 00\n"
        "     3)        30.0  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY\n",
        encoding="utf-8",
    )
    capture = read_capture(path)
    assert (capture.tally.frames, capture.tally.skipped) == (2, 0)
    assert capture.seconds == pytest.approx(0.0125, abs=1e-6)


@pytest.mark.parametrize("name", ["plain.mf4", "packed.mf4.gz"])
def test_an_mdf_file_without_its_extra_names_the_extra(tmp_path, monkeypatch, name) -> None:
    monkeypatch.setattr("can.io.mf4.asammdf", None)
    path = tmp_path / name
    start = b"MDF     4.10    " + bytes(100)
    path.write_bytes(gzip.compress(start) if name.endswith("gz") else start)
    with pytest.raises(InputFileError, match=r"obdlog\[mdf\]"):
        read_capture(path)
