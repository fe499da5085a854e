"""``codes`` on a recording that holds an erase: what was read before it is no state of now.

Erases: SAE-J1979 service 04, answered 44, and ISO-14229-1 service 14, answered 54.
"""

from __future__ import annotations

import json

import pytest

HEADER = {
    "kind": "session",
    "version": 1,
    "started": "2026-01-01T10:00:00Z",
    "software": "test",
    "link": "a.log",
    "transport": "can",
    "protocol": "ISO 15765-4 CAN 11 bit, 500 kbit/s",
    "work": {"unplugged": [], "replaced": []},
}
READ = [
    ("0101", None, "7E8", "410181076500"),
    ("03", None, "7E8", "43010171"),
    ("1902AF", "7B0", "7B8", "5902AF40310009"),
]
ERASED = [("04", None, "7E8", "44"), ("14FFFFFF", "7B0", "7B8", "54")]
AGAIN = [("03", None, "7E8", "4300"), ("1902AF", "7B0", "7B8", "5902AF")]
NOT_AGAIN = "erased in this recording and not read again"


@pytest.fixture
def modules(run_json, tmp_path):
    """Return the modules of a recording by address, as ``codes --every-module`` gives them."""

    def read(*exchanges):
        lines = [HEADER]
        for number, (ask, to, source, answer) in enumerate(exchanges):
            line = {"kind": "exchange", "at": number / 10, "ask": ask, "to": to}
            line["got"] = [[source, answer, 0.01]]
            lines.append({key: value for key, value in line.items() if value is not None})
        path = tmp_path / "a.session.jsonl"
        path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
        document = run_json("codes", "--link", path, "--every-module")
        return {m["address"]: m for m in document["modules"]}

    return read


def test_what_was_read_again_counts(modules):
    found = modules(*READ, *ERASED, *AGAIN)
    for address in ("7E8", "7B8"):
        assert found[address]["codes"] == []
        assert found[address]["answered"] is True
        assert found[address]["error"] is None
    assert found["7E8"]["lamp"] is None


def test_what_was_not_read_again_is_neither_a_fault_nor_clean(modules):
    found = modules(*READ, *ERASED)
    for address in ("7E8", "7B8"):
        assert found[address]["codes"] == []
        assert found[address]["answered"] is False
        assert found[address]["error"] == NOT_AGAIN
    assert found["7E8"]["lamp"] is None


def test_a_refused_erase_leaves_what_was_read(modules):
    found = modules(*READ, ("04", None, "7E8", "7F0422"), ("14FFFFFF", "7B0", "7B8", "7F1431"))
    assert [c["code"] for c in found["7E8"]["codes"]] == ["P0171"]
    assert [c["code"] for c in found["7B8"]["codes"]] == ["C0031"]
    assert found["7E8"]["lamp"] is True
