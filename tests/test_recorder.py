"""The poll loop: what is asked, how often, and how it ends."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from obdlog.client import Client
from obdlog.errors import NoAnswerError
from obdlog.model import Outcome
from obdlog.poll_plan import PollPlan, build_plan, group_pids, plan_groups
from obdlog.recorder import Recorder
from tests.fakes import KWP, TableTransport

ENGINE = "7E8"
VALUES = {
    "04": "0440", "05": "055A", "0B": "0B20", "0C": "0C0C80", "0D": "0D32", "0F": "0F41",
    "10": "100200", "11": "1120",
}  # fmt: skip
SUPPORTED = ("04", "05", "0B", "0C", "0D", "11")


def answers(most: int = 6) -> dict:
    # The bitmap announces 04 05 0B 0C 0D 11; of these 05 is slow.
    table = {"0100": [(ENGINE, "410018388000")]}
    for size in range(1, most + 1):
        for pids in itertools.permutations(SUPPORTED, size):
            table["01" + "".join(pids)] = [(ENGINE, "41" + "".join(VALUES[p] for p in pids))]
    return table


@pytest.mark.parametrize(
    ("count", "most", "sizes"),
    [(0, 6, []), (1, 6, [1]), (6, 6, [6]), (7, 6, [4, 3]), (13, 6, [5, 5, 3]), (3, 1, [1, 1, 1])],
)
def test_pids_are_grouped_evenly(count, most, sizes):
    assert [len(g) for g in group_pids(range(count), most)] == sizes


def test_plan_groups_fast_signals_and_keeps_slow_ones_apart():
    plan = build_plan(Client(TableTransport(answers())))
    assert plan.fast == ((0x04, 0x0B, 0x0C, 0x0D, 0x11),)
    assert plan.slow == ((0x05,),)


def test_a_car_that_answers_fewer_pids_a_request_gets_fewer():
    plan = build_plan(Client(TableTransport(answers(most=2))))
    assert max(map(len, plan.fast)) == 2


def test_one_pid_a_request_on_the_older_buses():
    table = {k: [("10", v[0][1])] for k, v in answers(1).items()}
    plan = build_plan(Client(TableTransport(table, KWP)))
    assert {len(group) for group in plan.fast} == {1}


def test_unsupported_signals_are_named_and_dropped():
    plan = build_plan(Client(TableTransport(answers())), [0x0C, 0x42])
    assert plan.unsupported == (0x42,)
    assert plan.fast == ((0x0C,),)


def test_slow_signals_are_asked_every_few_seconds_only():
    transport = TableTransport(answers())
    client = Client(transport)
    plan = build_plan(client)
    transport.asked.clear()
    recording = Recorder(client, plan).run(for_s=12.0)
    assert recording.reason == "time reached"
    assert transport.asked.count("0105") == 3
    assert transport.asked.count("01040B0C0D11") > 1000
    assert recording.seconds == pytest.approx(12.0, abs=0.05)
    assert recording.readings_per_second == pytest.approx(500, rel=0.01)
    assert recording.limit_readings_per_second == pytest.approx(500, rel=0.01)


def test_a_lost_link_ends_the_log_and_is_told():
    transport = TableTransport(answers(), lost_after=50)
    client = Client(transport)
    recording = Recorder(client, build_plan(client)).run(for_s=60)
    assert recording.reason == "link lost: the link is gone"
    assert recording.exchanges > 0
    assert recording.lost_exchanges == 1
    assert recording.gaps == 1


def test_a_car_that_falls_silent_ends_the_log_after_a_while():
    transport = TableTransport(answers())
    client = Client(transport)
    plan = build_plan(client)
    transport._answers.clear()
    gaps = []
    recording = Recorder(client, plan, on_gap=lambda *gap: gaps.append(gap)).run(for_s=60)
    assert recording.reason == "the car stopped answering"
    assert recording.readings == 0
    assert recording.seconds == pytest.approx(15, abs=0.1)
    assert len(gaps) == recording.gaps == 1


class WithHole(TableTransport):
    """Answers nothing between two times [s]."""

    hole = (0.0, 0.0)

    def _next(self, ask):
        now = self.clock.now_s()
        return [] if self.hole[0] <= now < self.hole[1] else super()._next(ask)


@pytest.mark.parametrize(("length_s", "gaps"), [(1.2, 0), (5.0, 1), (12.0, 1)])
def test_a_hole_such_as_cranking_does_not_end_the_log(length_s, gaps):
    transport = WithHole(answers())
    client = Client(transport)
    plan = build_plan(client)
    start = transport.clock.now_s() + 2
    transport.hole = (start, start + length_s)
    noted = []
    recording = Recorder(client, plan, on_gap=lambda *gap: noted.append(gap)).run(for_s=20)
    assert recording.reason == "time reached"
    assert recording.seconds == pytest.approx(20, abs=0.1)
    assert recording.gaps == len(noted) == gaps
    for from_s, until_s, _ in noted:
        assert until_s - from_s == pytest.approx(length_s, abs=0.1)


def test_a_silence_within_one_exchange_is_a_gap_too():
    class AskedAgain(TableTransport):
        # A transport repairs by itself and answers late.
        def exchange(self, request):
            self._took_s = 6.0 if request.purpose == "poll" and self.asked[-1] == "010C" else 0.01
            return super().exchange(request)

    transport = AskedAgain(answers())
    plan = PollPlan(fast=((0x0C,), (0x0D,)), slow=())
    noted = []
    client = Client(transport)
    client.ask_bitmaps(0x01)
    recording = Recorder(client, plan, on_gap=lambda *gap: noted.append(gap)).run(for_s=6)
    assert recording.lost_exchanges == 0
    assert recording.gaps == len(noted) == 1
    from_s, until_s, _ = noted[0]
    assert until_s - from_s == pytest.approx(6.0, abs=0.1)


def test_the_limit_is_never_below_the_rate():
    transport = TableTransport(answers())
    client = Client(transport)
    plan = build_plan(client)
    pace = iter([0.01, 0.03] * 10_000)

    class Uneven(TableTransport):
        def exchange(self, request):
            self._took_s = next(pace)
            return super().exchange(request)

    uneven = Uneven(answers())
    recording = Recorder(Client(uneven), plan).run(for_s=30)
    assert recording.limit_readings_per_second >= recording.readings_per_second
    # Every second exchange took three times as long as it could.
    ratio = recording.limit_readings_per_second / recording.readings_per_second
    assert ratio == pytest.approx(2, rel=0.05)


def test_a_module_that_drops_out_of_long_requests_gets_shorter_ones():
    table = answers()
    table["0100"] = [(ENGINE, "410018388000"), ("7E9", "410000180000")]
    for ask, answer in list(table.items()):
        pids = [ask[i : i + 2] for i in range(2, len(ask), 2)]
        both = [p for p in pids if p in ("0C", "0D")]
        if both and len(pids) <= 3:
            table[ask] = [*answer, ("7E9", "41" + "".join(VALUES[p] for p in both))]
    plan = build_plan(Client(TableTransport(table)))
    assert max(map(len, plan.fast)) == 3


def test_what_a_module_announces_and_never_sends_shortens_no_request():
    table = answers()
    # 7E9 announces 0C and 0D and is silent; the engine announces 0E, which it does not know.
    table["0100"] = [(ENGINE, "4100183C8000"), ("7E9", "410000180000")]
    for ask, answer in list(table.items()):
        if ask.endswith("0D11"):
            table[ask.replace("0D11", "0D0E11")] = answer
    plan = build_plan(Client(TableTransport(table)))
    assert plan.fast == ((0x04, 0x0B, 0x0C, 0x0D, 0x0E, 0x11),)


def test_a_recording_leaves_what_was_asked_before_it():
    client = Client(TableTransport(answers()))
    plan = build_plan(client)
    before = list(client.exchanges)
    Recorder(client, plan).run(for_s=1)
    assert client.exchanges == before


def test_ctrl_c_ends_the_log_in_order():
    client = Client(TableTransport(answers()))

    def interrupt(progress):
        if progress.exchanges == 10:
            raise KeyboardInterrupt

    recording = Recorder(client, build_plan(client), on_exchange=interrupt).run(for_s=60)
    assert recording.reason == "stopped by the user"
    assert recording.exchanges == 10


def test_without_any_bitmap_the_usual_signals_are_tried():
    table = {f"01{pid}": [(ENGINE, f"41{VALUES[pid]}")] for pid in ("0C", "10", "05")}
    plan = build_plan(Client(TableTransport(table)))
    assert plan.fast == ((0x0C,), (0x10,))
    assert plan.slow == ((0x05,),)


def test_a_silent_car_is_asked_little_and_said_to_be_silent():
    client = Client(TableTransport({}))
    with pytest.raises(NoAnswerError, match="no module answered"):
        build_plan(client)
    assert len(client.exchanges) < 6


def test_signals_that_the_car_lacks_are_no_endless_log():
    with pytest.raises(NoAnswerError, match="none of these signals"):
        build_plan(Client(TableTransport(answers())), [0x42])


def test_an_empty_plan_ends_at_once():
    recording = Recorder(Client(TableTransport({})), PollPlan((), ())).run()
    assert recording.reason == "there is nothing to poll"
    assert recording.readings == 0


def test_of_many_slow_signals_none_starves():
    slow = ["05", "0F", "1F", "21", "2F", "30", "31", "33"]
    fast = ["04", "0B", "0C", "0D", "11"]
    table = {f"01{pid}": [("10", f"41{pid}" + "20" * 2)] for pid in (*slow, *fast)}
    one_byte = ("05", "0F", "2F", "30", "33", "04", "0B", "0D", "11")
    table |= {f"01{pid}": [("10", f"41{pid}20")] for pid in one_byte}
    transport = TableTransport(table, KWP, took_s=0.15)
    plan = PollPlan(tuple((int(p, 16),) for p in fast), tuple((int(p, 16),) for p in slow))
    Recorder(Client(transport), plan).run(for_s=120)
    asked = [transport.asked.count(f"01{pid}") for pid in slow]
    assert min(asked) > 5
    assert max(asked) - min(asked) <= 1


def test_a_short_log_holds_every_slow_signal_once():
    slow = ["05", "0F", "2F", "30", "33"]
    table = {f"01{pid}": [("10", f"41{pid}20")] for pid in (*slow, "0D")}
    transport = TableTransport(table, KWP, took_s=0.15)
    plan = PollPlan(((0x0D,),), tuple((int(pid, 16),) for pid in slow))
    Recorder(Client(transport), plan).run(for_s=1.0)
    assert [transport.asked.count(f"01{pid}") for pid in slow] == [1] * len(slow)


# Lengths: SAE J1979 (06 one byte or two, 0C two, 68 seven, 83 five or nine, 7F thirteen).
@pytest.mark.parametrize(
    ("pids", "trims_open", "groups"),
    [
        ([0x06, 0x07, 0x08, 0x09, 0x0C], False, [(0x06, 0x07, 0x08, 0x09, 0x0C)]),
        ([0x06, 0x07, 0x0C, 0x0D], True, [(0x06, 0x0C, 0x0D), (0x07,)]),
        ([0x0C, 0xFE, 0x0D], False, [(0x0C, 0x0D), (0xFE,)]),
    ],
    ids=["trims of one byte", "one open trim a request", "an unknown PID alone"],
)
def test_a_request_leaves_at_most_one_length_open(pids, trims_open, groups):
    assert plan_groups(pids, 6, trims_open=trims_open) == tuple(groups)


def test_every_group_of_all_pids_of_the_table_can_be_told_apart():
    from obdlog.tables.signals import all_signals, lengths

    pids = sorted({signal.pid for signal in all_signals() if signal.pid % 0x20})
    groups = plan_groups(pids, 6, trims_open=True)
    assert sorted(pid for group in groups for pid in group) == pids
    for group in groups:
        assert sum(len(lengths(pid)) > 1 for pid in group) <= 1
        if len(group) > 1:
            assert all(max(lengths(pid)) <= 12 for pid in group)


def test_a_long_reply_that_the_adapter_cuts_is_left_out_of_the_plan():
    class Cutting(TableTransport):
        def exchange(self, request):
            exchange = super().exchange(request)
            if request.payload == b"\x01\x68":
                return replace(exchange, messages=(), outcome=Outcome.GARBLED)
            return exchange

    table = answers() | {
        "0100": [(ENGINE, "410008100001")],
        "0120": [(ENGINE, "412000000001")],
        "0140": [(ENGINE, "414000000001")],
        "0160": [(ENGINE, "416001000000")],
        "010C": [(ENGINE, "410C0C80")],
    }
    plan = build_plan(Client(Cutting(table)), [0x0C, 0x68])
    assert plan.cut == (0x68,)
    assert (plan.fast, plan.slow) == (((0x0C,),), ())
