"""``decode``: payloads and lines as arguments; ``--batch`` answers every line in its place."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from obdlog.cli.commands import decode

GOOD = b'{"id":1,"reply":"410D32"}'


def answers(data: bytes) -> list[dict]:
    return [decode._decode_text(line) for line in decode._bounded(io.BytesIO(data))]


@pytest.mark.parametrize(
    "bad",
    [
        b"", b"   ", b"nonsense", b"null", b"[]", b"7", b'"x"', b"{", b"\xff\xfe\x00", b"[" * 9000,
        b'{"id":"\\ud800"}', b'{"id":NaN}', b'{"reply":"' + b"41" * 1_200_000 + b'"}',
    ],
    ids=lambda bad: repr(bad[:12]),
)  # fmt: skip
def test_a_bad_line_costs_only_itself(bad: bytes) -> None:
    first, second, third = answers(GOOD + b"\n" + bad + b"\n" + GOOD + b"\n")
    assert first == third
    assert first["readings"][0]["value"] == 50
    assert second["error"]
    assert second.keys() >= {"request", "reply", "service", "source"}


def test_blank_lines_at_the_end_and_a_byte_order_mark_say_nothing() -> None:
    (only,) = answers(b"\xef\xbb\xbf" + GOOD + b"\r\n\r\n\n")
    assert only["error"] is None


def test_the_exit_code_is_0_and_every_line_is_json(run, tmp_path: Path) -> None:
    path = tmp_path / "replies.jsonl"
    path.write_bytes(GOOD + b"\nbroken\n" + GOOD)
    out = run("decode", "--batch", str(path)).stdout.splitlines()
    assert [bool(json.loads(line)["error"]) for line in out] == [False, True, False]


@pytest.mark.parametrize(
    "words",
    [
        ["410D32"], ["41", "0D", "32"], ["41 0D 32"], ["7E8 03 41 0D 32"],
        ["7E8", "03", "41", "0D", "32"], ["010D", "41 0D 32"], ["SEARCHING...", "7E803410D32"],
        ["18", "DA", "F1", "10", "03", "41", "0D", "32"],
    ],
)  # fmt: skip
def test_bytes_as_a_person_types_them(run_json, words: list[str]) -> None:
    assert run_json("decode", *words)["readings"][0]["value"] == 50


def test_one_bad_reply_does_not_take_the_others_with_it(run) -> None:
    lines = run("decode", "410D32", "zz", "7F0112", "--json").stdout.splitlines()
    assert [bool(json.loads(line)["error"]) for line in lines] == [False, True, False]


def test_what_cannot_be_decoded_is_said_once(run) -> None:
    assert run("decode", "zz", code=6).output.count("zz") == 1


def test_lines_of_an_older_bus_need_no_option(run_json) -> None:
    """ISO 9141-2: 48 6B 10, data, sum of all bytes modulo 256; codes without a count byte."""
    line = "48 6B 10 43 01 02 03 01 00 00 0D"
    assert [c["code"] for c in run_json("decode", line)["codes"]] == ["P0102", "P0301"]


def test_each_error_is_said_once_and_beside_the_module_it_came_from(run) -> None:
    two = run("decode", "7E8 06 41 00 BE 3E A8 13", "7E9 03 41 FF 00")
    assert two.stderr.count("PID FF") == 1
    assert "7E9: PID FF" in two.stderr
    none = run("decode", "41FF00", "41FE00", code=6)
    assert none.stderr.count("PID FF") == none.stderr.count("PID FE") == 1
    lines = run("decode", "7E8 03 41 FF 00", "7E9 03 41 FE 00", code=6)
    assert lines.stderr.count("PID FF") == lines.stderr.count("PID FE") == 1


def test_a_code_list_that_is_cut_is_not_called_empty(run) -> None:
    assert "No codes." in run("decode", "4300").stdout
    assert "No codes." not in run("decode", "4301", code=6).output


def test_test_results_bear_their_names(run, run_json) -> None:
    (test,) = run_json("decode", "4601012400010000FFFF")["tests"]
    assert test["monitor"] == "oxygen sensor, bank 1 sensor 1"
    assert test["test"] == "rich to lean threshold voltage"
    assert "oxygen sensor, bank 1" in run("decode", "4601012400010000FFFF").stdout
