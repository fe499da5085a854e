"""What modules say of their own scales is kept for each of them."""

from __future__ import annotations

import pytest

from obdlog.model import UNKNOWN_SOURCE, EcuMessage, Exchange, Outcome, Request
from obdlog.services.scales import contexts
from obdlog.tables.decode import EMPTY


def exchange(ask: str, *replies: tuple[str, str]) -> Exchange:
    messages = tuple(EcuMessage(source, bytes.fromhex(reply)) for source, reply in replies)
    return Exchange(0.0, Request(bytes.fromhex(ask)), messages, Outcome.ANSWERED)


def test_each_module_has_its_own() -> None:
    found = contexts([exchange("0150", ("7E8", "415033000000"), ("7E9", "415000000000"))])
    assert {source: context.pid_50.hex() for source, context in found.items()} == {
        "7E8": "33000000", "7E9": "00000000",
    }  # fmt: skip


def test_several_facts_in_one_reply_are_all_learnt() -> None:
    found = contexts([exchange("010D1D4F", ("7E8", "410D321D174F050A4033"))])
    assert found["7E8"].known(0x1D) == b"\x17"
    assert found["7E8"].known(0x4F) == bytes.fromhex("050A4033")


def test_zeros_undo_nothing_where_modules_cannot_be_told_apart() -> None:
    told = ((UNKNOWN_SOURCE, "415033000000"), (UNKNOWN_SOURCE, "415000000000"))
    assert contexts([exchange("0150", *told)])[UNKNOWN_SOURCE].pid_50.hex() == "33000000"


@pytest.mark.parametrize(
    ("ask", "reply"), [("0250", "425000330000"), ("0150", "4150"), ("010C", "410C1D17")]
)
def test_nothing_is_learnt_from_anything_else(ask: str, reply: str) -> None:
    context = contexts([exchange(ask, ("7E8", reply))]).get("7E8", EMPTY)
    assert context == EMPTY
