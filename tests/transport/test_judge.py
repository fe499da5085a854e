"""Which messages answer which request, and which lines belong to them.

SAE J1979; ISO 14229-1 for 10, 14, 19, 22 and 3E; ISO 14230-3 for 13, 17, 18, 1A, 3E and negative
responses (from memory). Frames by ISO 15765-2.
"""

from __future__ import annotations

import pytest

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.adapter.reply import parse_reply
from obdlog.adapter.routes import route_to
from obdlog.model import EcuMessage, Outcome, Request
from obdlog.transport.judge import answers, end_of_last_line, judge, own_lines, without_superseded


@pytest.mark.parametrize(
    ("ask", "got", "is_answer"),
    [
        ("010C", "410C1AF8", True),
        ("010C0D", "410D20", True),
        ("010C", "410D20", False),
        ("010C", "420C001AF8", False),
        ("010C", "7F0112", True),
        ("010C", "7F0912", False),
        ("010C", "41", False),
        ("03", "4300", True),
        ("03", "43", True),
        ("020C00", "420C001AF8", True),
        ("020C00", "42000000000000", False),
        ("050101", "450101AA", True),
        ("0601", "4601010A0BB00BB00BB0", True),
        ("0902", "490201AA", True),
        ("0902", "490401AA", False),
        ("1902FF", "5902FF", True),
        ("1902FF", "5901FF", False),
        ("1902FF", "59", False),
        ("1982FF", "5902FF", True),
        ("19", "59AA", True),
        ("22F190", "62F190", True),
        ("22F190", "62F18C41", False),
        ("22F190", "62", False),
        ("22F40CF40D", "62F40D20", True),
        ("22F40CF40D", "620CF420", False),
        ("3E00", "7E00", True),
        ("3E00", "7E", True),
        ("3E01", "7E01", True),
        ("3E00", "7E02", False),
        ("3E", "7E", True),
        ("3E00", "7F3E12", True),
        ("1003", "5003003201F4", True),
        ("1003", "5001", False),
        ("1081", "50", True),
        ("14FFFFFF", "54", True),
        ("14FF00", "54FF00", True),
        ("1800FF00", "5801234567", True),
        ("17FF00", "5701", True),
        ("13", "5301", True),
        ("1A90", "5A9031", True),
        ("1A90", "5A9131", False),
        ("1A90", "5A", False),
        ("04", "44", True),
    ],
)
def test_an_answer_bears_the_service_and_the_item(ask: str, got: str, is_answer: bool) -> None:
    message = EcuMessage("7E8", bytes.fromhex(got))
    assert answers(message, Request(bytes.fromhex(ask))) is is_answer


def test_pending_is_superseded_only_by_its_own_module() -> None:
    pending = EcuMessage("7E8", b"\x7f\x01\x78")
    other = EcuMessage("7E9", b"\x41\x0c\x00\x00")
    final = EcuMessage("7E8", b"\x41\x0c\x00\x01")
    assert without_superseded([pending, other]) == (pending, other)
    assert without_superseded([pending, pending, other, final]) == (other, final)
    assert without_superseded([final, pending]) == (final, pending)


@pytest.mark.parametrize(
    ("raw", "source", "upto"),
    [
        (b"7E8 04 41\r7E9 04 41\r7E8 21 00\r\r", "7E8", b"7E8 04 41\r7E9 04 41\r7E8 21 00"),
        (b"7E804410C\r7E904410C\r\r", "7E8", b"7E804410C"),
        (b"18 DA F1 10 04 41\r18DAF11804\r", "18DAF110", b"18 DA F1 10 04 41"),
        (b"486B10410C\r486B18410C\r", "10", b"486B10410C"),
        (b"486B18410C\r48 6B 10 41 0C\r", "10", b"486B18410C\r48 6B 10 41 0C"),
        (b"410C1AF8\r", "unknown", None),
        (b"", "7E8", None),
    ],
)  # fmt: skip
def test_the_last_line_of_a_module_is_found(raw: bytes, source: str, upto: bytes | None) -> None:
    assert end_of_last_line(raw, source) == (len(upto) if upto is not None else None)


TESTER_PRESENT = b"\x3e\x00"


@pytest.mark.parametrize(
    ("number", "target", "reply_from", "lines", "kept"),
    [
        ("6", "7B0", "7B8", ["7B8027E00", "7B9027E00", "7B8 02 7E 00"], [0, 2]),
        ("6", "7B0", "7B8", ["7B802 <RX ERROR", "7B902 <RX ERROR", "7E00"], [0, 2]),
        ("6", "7E0", None, ["7E8027E00", "7E9027E00"], [0]),
        ("7", "18DA28F1", None, ["18DAF128027E00", "18DAF110027E00", "18DAF1"], [0, 2]),
        ("6", "7B0", None, ["77A027E00", "73F0102", "7E00", "7B8037F3E11"], [0, 3]),
        ("6", "7B0", None, ["77A10087E0001020304", "77A2105060708", "73F2155"], [0, 1]),
        ("6", "7B0", None, ["77A0", "77A", "77A30000A", "67A027E00"], []),
        ("6", "functional", None, ["7E8027E00", "73F0102"], [0, 1]),
        ("5", "10", None, ["83F1107E0002", "83F1117E0003"], [0, 1]),
    ],
)
def test_lines_of_others_go_and_a_search_keeps_only_who_answers(
    number: str, target: str, reply_from: str | None, lines: list[str], kept: list[int]
) -> None:
    request = Request(TESTER_PRESENT, target, reply_from=reply_from)
    route = route_to(PROTOCOLS[number], request)
    assert own_lines(lines, request, route) == tuple(lines[n] for n in kept)


def test_on_an_older_bus_only_the_asked_module_counts() -> None:
    # ISO 14230-2 frames; checksums are the sum of all bytes modulo 256.
    request = Request(b"\x13", "10")
    route = route_to(PROTOCOLS["5"], request)
    raw = b"82F1105300D6\r82F1115300D7\r"
    judged = judge(parse_reply(raw), request, PROTOCOLS["5"], headers=True, route=route)
    assert [(m.source, m.payload) for m in judged.messages] == [("10", b"\x53\x00")]


@pytest.mark.parametrize("headers", [True, False])
def test_without_headers_an_answer_counts_with_its_sender_unknown(headers: bool) -> None:
    for reply_from in ("7B8", None):
        request = Request(TESTER_PRESENT, "7B0", reply_from=reply_from)
        route = route_to(PROTOCOLS["6"], request)
        reply = parse_reply(b"7E00\r")
        judged = judge(reply, request, PROTOCOLS["6"], headers=headers, route=route)
        found = [m.source for m in judged.messages]
        # With headers on, such a line in a search may be anybody's.
        assert found == ([] if headers and reply_from is None else ["unknown"])


@pytest.mark.parametrize("text", ["", "NO DATA\r", "7200102\r", "7200102\rNO DATA\r"])
def test_a_search_in_vain_is_no_data(text: str) -> None:
    request = Request(TESTER_PRESENT, "7B0")
    route = route_to(PROTOCOLS["6"], request)
    reply = parse_reply(text.encode())
    judged = judge(reply, request, PROTOCOLS["6"], headers=True, route=route)
    assert (judged.outcome, judged.damaged, judged.odd) == (Outcome.NO_DATA, False, "")
