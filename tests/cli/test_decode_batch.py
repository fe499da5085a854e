"""``decode --batch``: as many answers as lines, in their order, whatever the lines hold."""

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
