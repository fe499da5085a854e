"""The reader takes what it can and refuses the rest in one sentence."""

from __future__ import annotations

import gzip
import importlib.util
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.errors import SessionFileError, SessionVersionError
from obdlog.model import Outcome
from obdlog.session import reader
from obdlog.session.format import ExchangeRecord, SessionHeader
from obdlog.session.reader import iter_blocks, iter_records, read_session

HEAD = b'{"kind":"session","version":1}\n'
ASKED = b'{"kind":"exchange","at":1.5,"ask":"010C","got":[["7E8","410C1AF8",0.02]]}\n'


def file_of(tmp_path: Path, data: bytes, name: str = "a.session.jsonl") -> Path:
    path = tmp_path / name
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "is empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "first line is not a JSON object"),
        (bytes(range(256)), "not a session file"),
        (b"time,rpm\n1,2\n", "first line is not a JSON object"),
        (b"[1,2]\n", "first line is not a JSON object"),
        (b'{"kind":"exchange","at":0,"ask":"010C"}\n', "first line is not of kind"),
        (b'{"version":1}\n', "first line is not of kind"),
        (b'{"kind":"session"}\n', "broken first line"),
        (b'{"kind":"session","version":"one"}\n', "broken first line"),
        (b'{"kind":"session","version":1,"work":7}\n', "broken first line"),
        (b'{"kind":"session","ver', "breaks off within its first line"),
        (b"x" * (reader.LONGEST_LINE_BYTES + 1), "a line of more than"),
        (HEAD + b"x" * (reader.LONGEST_LINE_BYTES + 1), "a line of more than"),
        (b'{"kind":"session","version":1,"x":' + b"[" * 200_000 + b"\n", "not a JSON object"),
        (HEAD + b"{}\n" * (reader.MOST_BROKEN_LINES + 1), "broken lines"),
        ("\ufeff".encode("utf-16"), "not a session file"),
    ],
)
def test_what_is_no_session_file_is_refused_in_one_sentence(
    tmp_path: Path, data: bytes, sentence: str
) -> None:
    path = file_of(tmp_path, data)
    with pytest.raises(SessionFileError, match=sentence) as caught:
        read_session(path)
    assert caught.value.path == path
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("version", [b"2", b"17", b"99999999999999999999999999"])
def test_a_later_version_is_named(tmp_path: Path, version: bytes) -> None:
    path = file_of(tmp_path, b'{"kind":"session","version":' + version + b',"started":5}\n')
    with pytest.raises(SessionVersionError, match="this release reads version 1"):
        read_session(path)


@pytest.mark.parametrize("version", [b"0", b"-1"])
def test_a_version_that_never_was_is_refused(tmp_path: Path, version: bytes) -> None:
    path = file_of(tmp_path, b'{"kind":"session","version":' + version + b"}\n")
    with pytest.raises(SessionVersionError, match="never was"):
        read_session(path)


@pytest.mark.parametrize(
    "line",
    [
        b"not json",
        b"{",
        b"[]",
        b'{"kind":5}',
        b'{"at":1}',
        b'{"kind":"exchange","ask":"010C"}',
        b'{"kind":"exchange","at":-1,"ask":"010C"}',
        b'{"kind":"exchange","at":NaN,"ask":"010C"}',
        b'{"kind":"exchange","at":1e999,"ask":"010C"}',
        b'{"kind":"exchange","at":1e300,"ask":"010C"}',
        b'{"kind":"exchange","at":"1","ask":"010C"}',
        b'{"kind":"exchange","at":1,"ask":10}',
        b'{"kind":"exchange","at":1,"ask":"010C","got":[["7E8"]]}',
        b'{"kind":"exchange","at":1,"ask":"010C","got":[["7E8","41",-3]]}',
        b'{"kind":"exchange","at":1,"ask":"\xff\xfe"}',
        b'{"kind":"exchange","at":1,"x":' + b"[" * 100_000,
        b"\x00\x00\x00",
    ],
)
def test_a_broken_line_in_the_middle_costs_only_itself(tmp_path: Path, line: bytes) -> None:
    session = read_session(file_of(tmp_path, HEAD + ASKED + line + b"\n" + ASKED))
    assert len(session.exchanges) == 2
    assert len(session.warnings) == 1
    assert session.warnings[0].startswith("line 3 is left out")


@pytest.mark.parametrize(
    "line",
    [
        b'{"kind":"exchange","at":1,"ask":"01Z"}',
        b'{"kind":"exchange","at":1,"ask":""}',
        b'{"kind":"exchange","at":1,"ask":"010C","got":[["\\u001b[2J","41"]]}',
    ],
)
def test_an_exchange_that_makes_no_sense_is_left_out(tmp_path: Path, line: bytes) -> None:
    session = read_session(file_of(tmp_path, HEAD + ASKED + line + b"\n" + ASKED))
    assert len(session.exchanges) == 2
    assert session.warnings[0].startswith("an exchange at 1.000 s is left out")


@pytest.mark.parametrize(
    "line",
    [
        b'{"kind":"weather","sky":"blue"}',
        b'{"kind":"exchange","at":2,"ask":"010D","new":{"a":[1]},"got":[["7E8","410D00",0,9]]}',
        b'{"kind":"exchange","at":2,"ask":"010D","got":[["7E8","410D00"]]}',
        b'{"kind":"exchange","at":2,"ask":"010D","outcome":null,"purpose":null,"got":null}',
        b'{"kind":"mark","at":2}',
        b'{"kind":"end","at":2}',
        b"",
        b"  ",
    ],
)
def test_unknown_missing_and_null_are_no_fault(tmp_path: Path, line: bytes) -> None:
    session = read_session(file_of(tmp_path, HEAD + line + b"\r\n" + ASKED))
    assert session.exchanges[-1].messages[0].payload == bytes.fromhex("410C1AF8")
    assert session.warnings == []


def test_a_file_without_an_end_is_interrupted_not_wrong(tmp_path: Path) -> None:
    session = read_session(file_of(tmp_path, HEAD + ASKED))
    assert not session.complete
    assert session.warnings == []


def test_a_torn_last_line_costs_only_itself(tmp_path: Path) -> None:
    session = read_session(file_of(tmp_path, HEAD + ASKED + ASKED[:30]))
    assert len(session.exchanges) == 1
    assert session.warnings == ["the last line is torn and left out; the recording was interrupted"]


def test_a_whole_last_line_without_its_line_break_counts(tmp_path: Path) -> None:
    assert len(read_session(file_of(tmp_path, HEAD + ASKED.rstrip())).exchanges) == 1


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    assert len(read_session(file_of(tmp_path, b"\xef\xbb\xbf" + HEAD + ASKED)).exchanges) == 1
    assert read_session(file_of(tmp_path, b"\xef\xbb\xbf" + HEAD.rstrip())).exchanges == []


def test_header_fields_are_optional_and_harmless(tmp_path: Path) -> None:
    head = (
        b'{"kind":"session","version":1,"link":"\\u001b]0;x","protocol":null,'
        b'"vehicle":{"vin":"X","cylinders":4},"work":{"unplugged":["sen\\u0007sor"]},"later":1}\n'
    )
    header = read_session(file_of(tmp_path, head)).header
    assert header.link == "\ufffd]0;x"
    assert header.protocol == ""
    assert header.vehicle == {"vin": "X", "cylinders": 4}
    assert header.work.unplugged == ("sen\ufffdsor",)
    assert header.work.replaced == ()


def test_a_second_header_is_left_out(tmp_path: Path) -> None:
    session = read_session(file_of(tmp_path, HEAD + HEAD + ASKED))
    assert session.warnings == ["a second header within the file is left out"]
    assert len(session.exchanges) == 1


def test_texts_that_reach_a_screen_hold_no_control_characters(tmp_path: Path) -> None:
    lines = (
        b'{"kind":"mark","at":1,"text":"\\u001b[2Jhi"}\n'
        b'{"kind":"adapter","at":1,"identity":"\\u0007v1"}\n'
        b'{"kind":"gap","at":1,"until":2,"cause":"\\u009bx"}\n'
    )
    session = read_session(file_of(tmp_path, HEAD + lines))
    assert session.marks[0].text == "\ufffd[2Jhi"
    assert session.adapter[0].identity == "\ufffdv1"
    assert session.gaps[0].cause == "\ufffdx"


def test_a_packed_file_reads_the_same(tmp_path: Path) -> None:
    path = file_of(tmp_path, gzip.compress(HEAD + ASKED * 5), "a.session.jsonl.gz")
    assert len(read_session(path).exchanges) == 5


def test_a_packed_file_that_breaks_off_keeps_what_came_before(tmp_path: Path) -> None:
    lines = b"".join(
        b'{"kind":"exchange","at":%d,"ask":"010C","got":[["7E8","410C%04X",0.02]]}\n'
        % (n, n * 7919 % 65536)
        for n in range(20_000)
    )
    packed = gzip.compress(HEAD + lines)
    path = file_of(tmp_path, packed[: len(packed) - 2000], "a.session.jsonl.gz")
    session = read_session(path)
    assert 1000 < len(session.exchanges) < 20_000
    assert any("compressed data end early" in warning for warning in session.warnings)


@pytest.mark.parametrize("data", [b"", HEAD, b"\x1f\x8b" + bytes(20)])
def test_a_file_that_only_claims_to_be_packed_is_refused(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(SessionFileError, match=r"compressed data|is empty"):
        read_session(file_of(tmp_path, data, "a.session.jsonl.gz"))


def test_a_packed_flood_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "LARGEST_UNPACKED_BYTES", 1 << 20)
    path = file_of(tmp_path, gzip.compress(HEAD + b"\n" * (2 << 20)), "a.session.jsonl.gz")
    with pytest.raises(SessionFileError, match="too large"):
        read_session(path)


@pytest.mark.skipif(
    importlib.util.find_spec("zstandard") is not None, reason="says what is missing"
)
def test_zstandard_missing_is_one_sentence(tmp_path: Path) -> None:
    path = file_of(tmp_path, b"\x28\xb5\x2f\xfd", "a.session.jsonl.zst")
    with pytest.raises(SessionFileError, match="needs the Python package zstandard"):
        read_session(path)


def test_zstandard_is_read_where_it_is_installed(tmp_path: Path) -> None:
    zstandard = pytest.importorskip("zstandard")
    packed = zstandard.ZstdCompressor().compress(HEAD + ASKED)
    assert len(read_session(file_of(tmp_path, packed, "a.jsonl.zst")).exchanges) == 1
    with pytest.raises(SessionFileError, match="cannot unpack"):
        read_session(file_of(tmp_path, HEAD, "b.jsonl.zst"))


def test_a_missing_file_and_a_folder_are_one_sentence_each(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError, match="there is no file"):
        read_session(tmp_path / "no.session.jsonl")
    with pytest.raises(SessionFileError, match="is not a file"):
        read_session(tmp_path)
    with pytest.raises(SessionFileError, match="cannot open"):
        read_session("a\x00b")


def test_streaming_gives_the_raw_records_header_first(tmp_path: Path) -> None:
    path = file_of(tmp_path, HEAD + ASKED * 10_000)
    blocks = list(iter_blocks(path))
    assert isinstance(blocks[0][0], SessionHeader)
    assert len(blocks[0]) == 1
    assert len(blocks) > 2
    records = list(iter_records(path))
    assert len(records) == 10_001
    last = records[-1]
    assert isinstance(last, ExchangeRecord)
    assert (last.ask, last.got[0].payload, last.outcome) == (
        "010C",
        "410C1AF8",
        Outcome.ANSWERED.value,
    )


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_bytes_of_any_kind_raise_only_our_error(
    tmp_path_factory: pytest.TempPathFactory, tail: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "a.session.jsonl"
    path.write_bytes(HEAD + ASKED + b"\n" + tail)
    assert len(read_session(path).exchanges) >= 1
    path.write_bytes(tail)
    with pytest.raises(SessionFileError):
        read_session(path)
