"""What earlier readings of a case say: every code that was ever there, and every erase.

Payloads by hand from SAE J1979 on ISO 15765-4: 43 = stored codes, count, two bytes a code;
44 = erased. 54 is the positive answer to service 14 of ISO 14229-1.
"""

from __future__ import annotations

import json

import pytest

from obdlog.case_history import read_case_record
from obdlog.history import History, Split, history_of, split_at_erases
from obdlog.model import EcuMessage, Exchange, Request

NONE, MAF_LOW, LEAN = "4300", "43010102", "43010171"


def asked(request: str, *replies: str, source: str = "7E8") -> Exchange:
    messages = tuple(EcuMessage(source, bytes.fromhex(reply)) for reply in replies)
    return Exchange(0.0, Request(bytes.fromhex(request)), messages)


ERASED, UDS_ERASED, REFUSED = asked("04", "44"), asked("14FFFFFF", "54"), asked("04", "7F0422")


@pytest.mark.parametrize(
    ("exchanges", "split"),
    [
        ([], Split((slice(0, 0),))),
        ([asked("03", NONE)], Split((slice(0, 1),))),
        ([asked("03", NONE), REFUSED, asked("04")], Split((slice(0, 3),))),
        ([ERASED], Split((slice(0, 0),), (0,), slice(1, 1))),
        (
            [asked("03", MAF_LOW), ERASED, asked("03", LEAN), UDS_ERASED, asked("03", NONE)],
            Split((slice(0, 1), slice(2, 3)), (1, 3), slice(4, 5)),
        ),
    ],
    ids=["nothing", "no erase", "not accepted", "only an erase", "two erases"],
)
def test_accepted_erases_part_what_was_asked(exchanges, split):
    assert split_at_erases(exchanges) == split


@pytest.mark.parametrize(
    ("exchanges", "history"),
    [
        ([], History()),
        ([asked("03", MAF_LOW)], History(frozenset({"P0102"}), False)),
        ([asked("03", MAF_LOW), ERASED, asked("03", LEAN)], History(frozenset({"P0102"}), True)),
        (
            # The code of the first reading is not lost because the second does not show it.
            [asked("03", MAF_LOW), ERASED, asked("03", LEAN), ERASED, asked("03", NONE)],
            History(frozenset({"P0102", "P0171"}), True),
        ),
    ],
    ids=["nothing", "not erased", "erased once", "erased twice"],
)
def test_every_code_before_the_last_erase_is_remembered(exchanges, history):
    assert history_of(exchanges) == history


def write(folder, name, *exchanges):
    lines = [{"kind": "session", "version": 1, "started": "2026-01-01T00:00:00Z"}]
    lines += [
        {"kind": "exchange", "at": 0.0, "ask": ask, "got": [["7E8", got, 0.0]]}
        for ask, got in exchanges
    ]
    (folder / f"{name}.session.jsonl").write_text("\n".join(map(json.dumps, lines)) + "\n")


def test_the_sessions_of_a_case_are_read_in_order_and_a_broken_one_is_named(tmp_path):
    write(tmp_path, "01-codes", ("03", MAF_LOW), ("010C", "410C0C80"))
    (tmp_path / "02-broken.session.jsonl").write_bytes(b"\x00\xff")
    write(tmp_path, "03-clear", ("zz", "43"), ("03", LEAN), ("04", "44"), ("03", NONE))
    said: list[str] = []
    assert read_case_record(tmp_path, said.append).history == History(
        frozenset({"P0102", "P0171"}), True
    )
    assert len(said) == 1
    assert said[0].startswith("02-broken.session.jsonl is left out")


def test_a_folder_that_is_not_there_yet_has_no_history(tmp_path):
    assert read_case_record(tmp_path / "new", pytest.fail).history == History()
