"""The records of a session file, against the contract's field names."""

from __future__ import annotations

import msgspec
import pytest

from obdlog.model import EcuMessage, Exchange, Outcome, Request, WireChunk
from obdlog.session.format import ExchangeRecord as Ex
from obdlog.session.format import (
    Got,
    exchange_from_record,
    printable,
    record_from_exchange,
    record_from_wire,
    relative_s,
)


def as_json(record: object) -> dict[str, object]:
    return msgspec.json.decode(msgspec.json.encode(record), type=dict[str, object])


def test_an_answered_exchange_has_no_outcome_and_upper_case_hex() -> None:
    exchange = Exchange(
        12.5,
        Request(b"\x01\x0c", purpose="poll"),
        (EcuMessage("7E8", b"\x41\x0c\x1a\xf8", 0.0314),),
    )
    assert as_json(record_from_exchange(exchange, 10.0)) == {
        "kind": "exchange",
        "at": 2.5,
        "ask": "010C",
        "got": [["7E8", "410C1AF8", 0.0314]],
        "purpose": "poll",
    }


@pytest.mark.parametrize(
    ("outcome", "text"),
    [
        (Outcome.NO_DATA, "no-data"),
        (Outcome.TIMEOUT, "timeout"),
        (Outcome.REFUSED, "refused"),
        (Outcome.GARBLED, "garbled"),
        (Outcome.LOST, "lost"),
    ],
)
def test_every_other_outcome_is_written_and_read_back(outcome: Outcome, text: str) -> None:
    exchange = Exchange(0.0, Request(b"\x09\x02", "7E0"), (), outcome)
    record = record_from_exchange(exchange, 0.0)
    assert as_json(record)["outcome"] == text
    assert as_json(record)["to"] == "7E0"
    assert exchange_from_record(record) == exchange


def test_wire_text_is_latin_1() -> None:
    chunk = WireChunk(1.0, "<", bytes(range(256)))
    record = record_from_wire(chunk, 0.5)
    assert (record.at, record.dir) == (0.5, "<")
    assert record.raw.encode("latin-1") == chunk.raw


@pytest.mark.parametrize(
    "record",
    [
        Ex(0.0, "01 0"),
        Ex(0.0, ""),
        Ex(0.0, "010C", got=[Got("7E8", "4")]),
        Ex(0.0, "010C", got=[Got("\x1b[31m", "41")]),
        Ex(0.0, "010C", got=[Got("123456789", "41")]),
        Ex(0.0, "010C", to="everyone"),
    ],
)
def test_what_is_not_hexadecimal_is_a_value_error(record: Ex) -> None:
    with pytest.raises(ValueError, match=r"hex|service byte"):
        exchange_from_record(record)


def test_an_outcome_of_a_later_release_is_read_by_what_was_got() -> None:
    assert exchange_from_record(Ex(0.0, "010C", outcome="odd")).outcome is Outcome.NO_DATA
    got = [Got("7e8", "410c0000")]
    exchange = exchange_from_record(Ex(0.0, "010c", got=got, outcome="odd"))
    assert exchange.outcome is Outcome.ANSWERED
    assert exchange.messages[0].source == "7E8"


def test_times_never_run_backwards_past_the_start() -> None:
    assert relative_s(1.0, 2.0) == 0.0
    assert relative_s(2.12345678, 1.0) == 1.123457


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("ignition on", "ignition on"),
        ("a\nb\tc\u00a0d", "a b c d"),
        ("\x1b[2Jx\x9b", "\ufffd[2Jx\ufffd"),
        ("\u202egpj", "\ufffdgpj"),
        ("Öl 90 °C", "Öl 90 °C"),
    ],
)
def test_printable_leaves_nothing_that_a_terminal_obeys(text: str, shown: str) -> None:
    assert printable(text) == shown
    assert len(printable(text * 10, 5)) == 5
