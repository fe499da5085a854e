"""What an adapter may print, and what is made of it.

The texts are those of the published ELM327-style command set: from memory, common practice.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.adapter.reply import Reply, ReplyReader, parse_reply, strip_echo
from obdlog.adapter.status import STATUS_FACTS, Recovery, Status

CAN = "7E8 06 41 00 BE 3E B8 13"

CASES: list[tuple[str, bytes, tuple[str, ...], Status | None]] = [
    ("data", b"7E8 06 41 00 BE 3E B8 13 \r\r", (CAN,), None),
    ("line feeds", b"7E8 06 41 00 BE 3E B8 13 \r\n\r\n", (CAN,), None),
    ("line feed only", b"7E8 06 41 00 BE 3E B8 13\n", (CAN,), None),
    ("no spaces", b"7E8064100BE3EB813\r\r", ("7E8064100BE3EB813",), None),
    ("NULs", b"7E8\x00064100BE3EB8\x0013\r\r", ("7E8064100BE3EB813",), None),
    ("nothing", b"\r\r", (), None),
    ("ok", b"OK\r\r", (), Status.OK),
    ("unknown command", b"?\r\r", (), Status.UNKNOWN_COMMAND),
    ("no data", b"NO DATA\r\r", (), Status.NO_DATA),
    ("no data, spaces off", b"NODATA\r\r", (), Status.NO_DATA),
    ("searching alone", b"SEARCHING...", (), Status.SEARCHING),
    ("searching, data", b"SEARCHING...\r7E8064100BE3EB813\r\r", ("7E8064100BE3EB813",), None),
    ("searching runs into data", b"SEARCHING...7E8 06 41 00 BE 3E B8 13\r\r", (CAN,), None),
    ("echo runs into searching", b"0100SEARCHING...\r7E8 06\r\r", ("0100", "7E8 06"), None),
    ("no connection", b"SEARCHING...\rUNABLE TO CONNECT\r\r", (), Status.UNABLE_TO_CONNECT),
    ("no connection, one line", b"SEARCHING...UNABLE TO CONNECT\r", (), Status.UNABLE_TO_CONNECT),
    ("bus init", b"BUS INIT: ...OK\r86 F1 10 41\r\r", ("86 F1 10 41",), None),
    ("bus init short", b"BUS INIT: OK\r86 F1 10 41\r\r", ("86 F1 10 41",), None),
    ("bus init runs into data", b"BUS INIT: ...OK86 F1 10 41\r\r", ("86 F1 10 41",), None),
    ("bus init waits", b"BUS INIT: ...", (), Status.BUS_INIT),
    ("bus init fails", b"BUS INIT: ...ERROR\r\r", (), Status.BUS_INIT_ERROR),
    ("bus init fails, short", b"BUS INIT: ERROR\r\r", (), Status.BUS_INIT_ERROR),
    ("bus init, spaces off", b"BUSINIT:...ERROR\r\r", (), Status.BUS_INIT_ERROR),
    ("bus busy", b"BUS BUSY\r\r", (), Status.BUS_BUSY),
    ("bus error", b"BUS ERROR\r\r", (), Status.BUS_ERROR),
    ("can error", b"CAN ERROR\r\r", (), Status.CAN_ERROR),
    ("data error", b"DATA ERROR\r\r", (), Status.DATA_ERROR),
    (
        "data error on a line",
        b"48 6B 10 41 <DATA ERROR\r\r",
        ("48 6B 10 41 <DATA ERROR",),
        Status.DATA_ERROR,
    ),
    ("rx error on a line", b"7E8 06 41<RX ERROR\r\r", ("7E8 06 41 <RX ERROR",), Status.RX_ERROR),
    ("buffer full", b"7E8 06 41 0\rBUFFER FULL\r\r", ("7E8 06 41 0",), Status.BUFFER_FULL),
    (
        "buffer full in a line",
        b"7E8 06 4BUFFER FULL\r",
        ("7E8 06 4 <BUFFER FULL",),
        Status.BUFFER_FULL,
    ),
    ("stopped", b"STOPPED\r\r", (), Status.STOPPED),
    ("data, then stopped", b"7E8 03 41 05 7B\rSTOPPED\r", ("7E8 03 41 05 7B",), Status.STOPPED),
    ("data, then no data", b"7E8 03 41 05 7B\rNO DATA\r", ("7E8 03 41 05 7B",), Status.NO_DATA),
    ("feedback", b"FB ERROR\r\r", (), Status.FB_ERROR),
    ("low voltage", b"LV RESET\r\r", (), Status.LV_RESET),
    ("low power", b"LP ALERT\r\r", (), Status.LOW_POWER),
    ("low power, marked", b"!LP ALERT\r\r", (), Status.LOW_POWER),
    ("activity", b"ACT ALERT\r\r", (), Status.ACT_ALERT),
    ("internal error", b"ERR94\r\r", (), Status.ERR_CODE),
    ("other internal error", b"ERR71\r\r", (), Status.ERR_CODE),
    ("banner", b"\r\rELM327 v1.5\r\r", ("ELM327 v1.5",), Status.BANNER),
    ("other banner", b"\r\rABC1000 v4.2.0\r\r", ("ABC1000 v4.2.0",), Status.BANNER),
    (
        "restart in mid-stream",
        b"7E8 06 41 00\r\r\rELM327 v2.1\r\r",
        ("7E8 06 41 00", "ELM327 v2.1"),
        Status.BANNER,
    ),
    (
        "restart within a line",
        b"7E8 06 4ELM327 v2.1\r\r",
        ("7E8 06 4 <RESTARTED", "ELM327 v2.1"),
        Status.BANNER,
    ),
    ("voltage", b"12.6V\r\r", ("12.6V",), None),
    (
        "protocol words",
        b"AUTO, ISO 15765-4 (CAN 11/500)\r",
        ("AUTO, ISO 15765-4 (CAN 11/500)",),
        None,
    ),
    ("length lines", b"014\r0:490201314434\r\r", ("014", "0:490201314434"), None),
    ("escape sequence", b"\x1b[2Jgone\x07\r", ("\\x1b[2Jgone\\x07",), None),
    ("eight-bit controls", b"\x9b2J\x85\xff\r", ("\\x9b2J\\x85\\xff",), None),
]


def feed_whole(data: bytes) -> Reply | None:
    return ReplyReader().feed(data)


def feed_bytewise(data: bytes) -> Reply | None:
    reader = ReplyReader()
    replies = [reader.feed(bytes([byte])) for byte in data]
    assert replies[:-1] == [None] * (len(data) - 1)
    return replies[-1]


def feed_with_tail(data: bytes) -> Reply | None:
    reader = ReplyReader()
    reply = reader.feed(data + b"OK\r\r>SEARCH")
    following = reader.feed(b"")
    assert following is not None
    assert following.status is Status.OK
    assert reader.feed(b"") is None
    assert reader.pending == b"SEARCH"
    return reply


@pytest.mark.parametrize("feed", [feed_whole, feed_bytewise, feed_with_tail])
@pytest.mark.parametrize(("name", "raw", "lines", "status"), CASES, ids=[c[0] for c in CASES])
def test_reply(feed, name: str, raw: bytes, lines: tuple[str, ...], status: Status | None) -> None:
    reply = feed(raw + b">")
    assert reply is not None
    assert reply.lines == lines
    assert reply.status is status
    assert reply.prompted
    assert reply.raw == raw


def test_progress_is_remembered_though_it_is_no_status() -> None:
    reply = parse_reply(b"SEARCHING...\r7E8064100BE3EB813\r")
    assert reply.searched
    assert reply.statuses == (Status.SEARCHING,)
    assert not parse_reply(b"7E8064100BE3EB813\r").searched


def test_the_gravest_status_speaks_for_the_reply() -> None:
    reply = parse_reply(b"STOPPED\rLV RESET\rNO DATA\r")
    assert reply.status is Status.LV_RESET
    assert reply.statuses == (Status.STOPPED, Status.LV_RESET, Status.NO_DATA)


def test_half_a_reply_is_returned_when_waiting_ends() -> None:
    reader = ReplyReader()
    assert reader.feed(b"7E8 06 41 0") is None
    reply = reader.abandon()
    assert reply.lines == ("7E8 06 41 0",)
    assert not reply.prompted
    assert reader.pending == b""


def test_what_is_cleared_is_not_part_of_the_next_reply() -> None:
    reader = ReplyReader()
    reader.feed(b"stale")
    reader.clear()
    reply = reader.feed(b"OK\r>")
    assert reply is not None
    assert reply.lines == ()


def test_a_flood_without_prompt_is_bounded_and_reported() -> None:
    reader = ReplyReader(max_bytes=100)
    replies = [reader.feed(b"41 00 \r" * 5) for _ in range(3)]
    assert replies[:2] == [None, None]
    assert replies[2] is not None
    assert replies[2].status is Status.OVERFLOW
    assert not replies[2].prompted
    assert len(replies[2].raw) == 100
    assert reader.pending == b""
    good = reader.feed(b"OK\r>")
    assert good is not None
    assert good.status is Status.OK


def test_a_flood_before_the_prompt_in_one_piece_is_bounded_too() -> None:
    reply = ReplyReader(max_bytes=10).feed(b"0" * 1000 + b">")
    assert reply is not None
    assert reply.status is Status.OVERFLOW
    assert reply.raw == b"0" * 10


def test_a_reader_needs_room() -> None:
    with pytest.raises(ValueError, match="at least one byte"):
        ReplyReader(max_bytes=0)


@pytest.mark.parametrize(
    "line",
    [
        b"SEARCHING" * 7000,
        b"x" + b" " * 60_000 + b"x",
        b"A" * 60_000,
        b"BUS INIT" * 7000,
        b"A1" * 30_000,
    ],
)
def test_a_hostile_line_costs_no_more_than_its_length(line: bytes) -> None:
    # A quadratic pattern would take minutes here.
    reply = parse_reply(line + b"\r")
    assert sum(len(text) for text in reply.lines) <= len(line)


@given(st.lists(st.binary(max_size=60), max_size=6))
def test_random_bytes_never_raise_and_leave_nothing_unprintable(chunks: list[bytes]) -> None:
    reader = ReplyReader(max_bytes=128)
    replies = [reader.feed(chunk) for chunk in chunks]
    replies.append(reader.abandon())
    for reply in replies:
        for line in reply.lines if reply else ():
            assert line
            assert line.isascii()
            assert line.isprintable()


@given(st.binary(max_size=200), st.integers(min_value=1, max_value=20))
def test_how_the_bytes_are_cut_makes_no_difference(data: bytes, size: int) -> None:
    def replies(pieces: list[bytes]) -> list[Reply]:
        reader = ReplyReader()
        found = []
        for piece in pieces:
            reply = reader.feed(piece)
            while reply is not None:
                found.append(reply)
                reply = reader.feed(b"")
        return found

    cut = [data[i : i + size] for i in range(0, len(data), size)]
    assert replies(cut) == replies([data])


@pytest.mark.parametrize(
    ("lines", "command", "kept"),
    [
        (("0100", "7E8064100"), "0100", ("7E8064100",)),
        (("01 00", "7E8064100"), "0100", ("7E8064100",)),
        (("0100", "7E8064100"), "01 00\r", ("7E8064100",)),
        (("ate0",), "ATE0", ()),
        (("01001", "7E8064100"), "01001", ("7E8064100",)),
        (("7E8064100",), "0100", ("7E8064100",)),
        (("01007E8064100",), "0100", ("7E8064100",)),
        (("01 00 7E8 06 41 00",), "0100", ("7E8 06 41 00",)),
        (("ATIELM327 v1.5",), "ATI", ("ELM327 v1.5",)),
        (("7E8034105", "0100", "7E8064100"), "0100", ("7E8064100",)),
        (("03A", "0:430433"), "03", ("03A", "0:430433")),
        ((), "0100", ()),
        (("7E8064100",), "", ("7E8064100",)),
    ],
)
def test_the_echo_goes_and_nothing_else(
    lines: tuple[str, ...], command: str, kept: tuple[str, ...]
) -> None:
    assert strip_echo(lines, command) == kept


def test_every_status_has_one_meaning_and_one_recovery() -> None:
    assert set(STATUS_FACTS) == set(Status)
    for facts in STATUS_FACTS.values():
        assert facts.meaning.endswith((".", "?"))
        assert isinstance(facts.recovery, Recovery)


@pytest.mark.parametrize(
    ("status", "recovery"),
    [
        (Status.NO_DATA, Recovery.REPORT_NO_DATA),
        (Status.UNABLE_TO_CONNECT, Recovery.REPORT_NO_CONNECTION),
        (Status.STOPPED, Recovery.RETRY),
        (Status.UNKNOWN_COMMAND, Recovery.DROP_COMMAND),
        (Status.BANNER, Recovery.REINITIALISE),
        (Status.LV_RESET, Recovery.REINITIALISE),
        (Status.ERR_CODE, Recovery.REINITIALISE),
        (Status.SEARCHING, Recovery.KEEP_WAITING),
        (Status.BUFFER_FULL, Recovery.ASK_LESS),
    ],
)
def test_recoveries_that_the_transport_builds_on(status: Status, recovery: Recovery) -> None:
    assert STATUS_FACTS[status].recovery is recovery
