"""What an adapter must be set to for each kind of address.

Identifiers: ISO 15765-4. Commands: published ELM327-style command set, from memory.
"""

from __future__ import annotations

import re

import pytest

from obdlog.adapter.commands import COMMANDS
from obdlog.adapter.protocols import OTHER_WIDTH, PROTOCOLS
from obdlog.adapter.routes import (
    LEGISLATED,
    SEARCH,
    brief_timing,
    engine_route,
    legislated_forms,
    lets_engine_through,
    one_source_forms,
    route_to,
    search_forms,
)
from obdlog.model import FUNCTIONAL, UNKNOWN_SOURCE, Request

ASK = b"\x3e\x00"


@pytest.mark.parametrize(
    ("number", "target", "reply_from", "used", "header", "receive", "flow", "source"),
    [
        ("6", FUNCTIONAL, None, "6", "ATSH7DF", LEGISLATED, "", ""),
        ("6", "7E0", None, "6", "ATSH7E0", LEGISLATED, "", "7E8"),
        ("6", "7E1", "7E9", "6", "ATSH7E1", LEGISLATED, "", "7E9"),
        ("6", "7E0", "7B8", "6", "ATSH7E0", "7B8", "7E0", "7B8"),
        ("6", "7b0", "7b8", "6", "ATSH7B0", "7B8", "7B0", "7B8"),
        ("8", "7B0", None, "8", "ATSH7B0", SEARCH, "", ""),
        ("7", "7B0", "7B8", "6", "ATSH7B0", "7B8", "7B0", "7B8"),
        ("6", "18DA28F1", None, "7", "ATSHDA28F1", LEGISLATED, "", "18DAF128"),
        ("8", "18DA28F1", "18DAF128", "9", "ATSHDA28F1", LEGISLATED, "", "18DAF128"),
        ("7", "28", None, "7", "ATSHDA28F1", LEGISLATED, "", "18DAF128"),
        ("7", "18DA28F1", "18DAF129", "7", "ATSHDA28F1", "18DAF129", "18DA28F1", "18DAF129"),
        ("7", "18DA28F9", "18DAF928", "7", "ATSHDA28F9", "18DAF928", "18DA28F9", "18DAF928"),
        ("7", "1ABCDEF1", "1ABCF1DE", "7", "ATSHBCDEF1", "1ABCF1DE", "1ABCDEF1", "1ABCF1DE"),
        ("5", "10", None, "5", "ATSH8210F1", LEGISLATED, "", "10"),
        ("3", FUNCTIONAL, None, "3", "ATSH686AF1", LEGISLATED, "", ""),
    ],
)
def test_routes(
    number: str,
    target: str,
    reply_from: str | None,
    used: str,
    header: str,
    receive: str,
    flow: str,
    source: str,
) -> None:
    route = route_to(PROTOCOLS[number], Request(ASK, target, reply_from=reply_from))
    assert route.protocol is PROTOCOLS[used]
    assert route.header[0] == header
    assert (route.receive, route.flow, route.source) == (receive, flow, source)


def test_the_other_width_keeps_the_bit_rate() -> None:
    for number, other in OTHER_WIDTH.items():
        here, there = PROTOCOLS[number], PROTOCOLS[other]
        assert here.bit_rate == there.bit_rate
        assert {here.id_bits, there.id_bits} == {11, 29}


def test_who_counts() -> None:
    search = route_to(PROTOCOLS["6"], Request(ASK, "7B0"))
    assert [s for s in ("6FF", "700", "7FF", "18DAF128") if search.accepts(s)] == ["700", "7FF"]
    known = route_to(PROTOCOLS["6"], Request(ASK, "7B0", reply_from="7B8"))
    assert [s for s in ("7B8", "7B9", UNKNOWN_SOURCE) if known.accepts(s)] == ["7B8", "unknown"]
    everybody = route_to(PROTOCOLS["6"], Request(ASK))
    assert everybody.accepts("7E8")


@pytest.mark.parametrize(("target", "usual"), [("7B0", "7B8"), ("7F7", "7FF"), ("7F8", None)])
def test_a_search_may_be_narrowed_to_the_usual_address(target: str, usual: str | None) -> None:
    narrowed = route_to(PROTOCOLS["6"], Request(ASK, target)).narrowed()
    assert (narrowed.receive if narrowed else None) == usual
    assert narrowed is None or narrowed.accepts(usual or "")


@pytest.mark.parametrize(
    ("wait_s", "ticks"),
    [(0.06, "0F"), (0.15, "26"), (0.001, "01"), (0.0, "01"), (0.004, "01"), (9.0, "FF")],
)
def test_waiting_time_in_ticks_of_four_milliseconds(wait_s: float, ticks: str) -> None:
    assert brief_timing(wait_s) == ("ATAT0", f"ATST{ticks}")


def test_being_heard_proves_a_filter_only_where_it_kept_the_engine_out() -> None:
    assert lets_engine_through(None)
    assert lets_engine_through(SEARCH)
    assert lets_engine_through("7E8")
    assert lets_engine_through("18DAF110")
    assert not lets_engine_through("7B8")


def test_every_command_is_in_the_vocabulary() -> None:
    patterns = [re.sub(r"<\w+>", "[0-9A-FX]+", re.escape(c.text)) for c in COMMANDS]
    forms = [*search_forms(), *one_source_forms("7B8"), *one_source_forms("18DAF128")]
    for number in OTHER_WIDTH:
        forms += legislated_forms(PROTOCOLS[number])
        forms.append(engine_route(PROTOCOLS[number]).header)
    for command in (c for form in forms for c in form):
        assert any(re.fullmatch(pattern, command) for pattern in patterns), command
