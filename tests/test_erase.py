"""Erasing: never without the engine standing, never twice, and the read-back tells.

Service 04 and what it destroys: SAE J1979. The order of the steps is our own promise.
"""

from __future__ import annotations

import pytest

from obdlog import survey
from obdlog.client import Client
from obdlog.erase import (
    next_steps,
    require_complete,
    require_engine_off,
    send_erase,
    verify_evidence,
)
from obdlog.errors import LinkError, RefusedError, SessionFileError
from obdlog.model import Bus, EcuMessage, Exchange, Outcome, Request
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.transport.recording import RecordingTransport
from tests.fakes import TableTransport

ENGINE = "7E8"
STANDING = {
    "0100": [(ENGINE, "410080180000")],
    "010C": [(ENGINE, "410C0000")],
    "010D": [(ENGINE, "410D00")],
    "0101": [(ENGINE, "410181076500")],
    "03": [[(ENGINE, "43010102")], [(ENGINE, "4300")]],
    "07": [(ENGINE, "4700")],
    "04": [(ENGINE, "44")],
}


def erase(answers, stated_off=False):
    client = Client(TableTransport(answers))
    client.read_codes()
    before = survey.survey_codes(client.exchanges, Bus.CAN)
    synced = []
    session = Client(client.transport)
    modules = send_erase(session, before, stated_off=stated_off, sync=lambda: synced.append(1))
    after = survey.survey_codes(session.exchanges, Bus.CAN)
    return client.transport, modules, after


def test_an_accepted_erase_is_sent_once_and_read_back():
    transport, (engine,), _ = erase(STANDING)
    assert transport.asked.count("04") == 1
    assert transport.asked.index("04") < len(transport.asked) - 1
    assert engine.accepted is True
    assert (engine.before, engine.after) == (("P0102",), ())


@pytest.mark.parametrize(
    ("answers", "what"),
    [
        ({"010C": [(ENGINE, "410C0C80")]}, "engine runs at 800 rpm"),
        ({"010D": [(ENGINE, "410D05")]}, "moves at 5 km/h"),
        ({"010C": []}, "not certain that the engine is off"),
        ({"010C": [(ENGINE, "7F0112")]}, "not certain that the engine is off"),
    ],
)
def test_nothing_is_erased_unless_the_engine_is_known_to_stand(answers, what):
    client = Client(TableTransport(STANDING | answers))
    with pytest.raises(RefusedError, match=what):
        require_engine_off(client)
    with pytest.raises(RefusedError, match=what):
        send_erase(client, (), stated_off=False, sync=lambda: None)
    assert "04" not in client.transport.asked


def test_a_statement_counts_only_where_no_module_reports_the_speed():
    require_engine_off(Client(TableTransport(STANDING | {"010C": []})), stated_off=True)
    with pytest.raises(RefusedError, match="engine runs"):
        require_engine_off(
            Client(TableTransport(STANDING | {"010C": [(ENGINE, "410C0C80")]})), stated_off=True
        )


def test_silence_is_not_answered_by_a_second_erase():
    transport, (engine,), after = erase(STANDING | {"04": []})
    assert transport.asked.count("04") == 1
    assert engine.accepted is None
    steps = next_steps((engine,), after)
    assert any("did not say what became of the erase" in step for step in steps)


def test_work_still_going_on_is_neither_acceptance_nor_refusal():
    # Negative response code 78 of ISO 14229-1 and ISO 14230-3.
    _, (engine,), _ = erase(STANDING | {"04": [(ENGINE, "7F0478")]})
    assert engine.accepted is None
    assert engine.refusal is None


def test_of_modules_that_cannot_be_told_apart_one_refusal_counts():
    answers = {ask: [("unknown", text) for _, text in got] for ask, got in STANDING.items()
               if ask != "03"}  # fmt: skip
    answers |= {"03": [("unknown", "43010102")], "04": [("unknown", "44"), ("unknown", "7F0422")]}
    _, (both,), _ = erase(answers)
    assert both.accepted is False
    assert both.refusal


def test_an_engine_that_runs_is_not_hidden_by_a_module_that_cannot_be_told_apart():
    answers = STANDING | {"010C": [("unknown", "410C0C80"), ("unknown", "410C0000")]}
    with pytest.raises(RefusedError, match="engine runs at 800 rpm"):
        require_engine_off(Client(TableTransport(answers)))


@pytest.mark.parametrize("still_works_for", [0, 1, 3])
def test_a_link_lost_after_the_erase_says_that_it_may_have_been_carried_out(still_works_for):
    before = 3  # 0100 and the two questions for the engine
    transport = TableTransport(STANDING, lost_after=before + still_works_for)
    with pytest.raises(LinkError) as caught:
        send_erase(Client(transport), (), stated_off=False, sync=lambda: None)
    assert "may have been carried out" in caught.value.hint


WHOLE = (
    ("0101", [(ENGINE, "410181076500")], Outcome.ANSWERED),
    ("03", [(ENGINE, "43010102")], Outcome.ANSWERED),
    ("07", [], Outcome.NO_DATA),
    ("020200", [(ENGINE, "7F0211")], Outcome.REFUSED),
)


def exchanges(*rows):
    return [
        Exchange(
            0.0,
            Request(bytes.fromhex(ask)),
            tuple(EcuMessage(source, bytes.fromhex(payload)) for source, payload in got),
            outcome,
        )
        for ask, got, outcome in rows
    ]


@pytest.mark.parametrize(
    "later",
    [
        (),
        (("0902", [], Outcome.GARBLED),),  # clearing does not destroy it
        (("0A", [], Outcome.GARBLED),),
        (("0105", [], Outcome.TIMEOUT),),
        (("07", [], Outcome.GARBLED), ("07", [(ENGINE, "4700")], Outcome.ANSWERED)),
    ],
)
def test_evidence_is_complete_with_all_that_clearing_destroys(later):
    require_complete(exchanges(*WHOLE, *later))


@pytest.mark.parametrize(
    ("rows", "what"),
    [
        ((*WHOLE, ("03", [], Outcome.GARBLED)), "no whole answer to 03"),
        ((*WHOLE, ("07", [], Outcome.TIMEOUT)), "no whole answer to 07"),
        ((*WHOLE, ("020C00", [], Outcome.GARBLED)), "no whole answer to 020C00"),
        ((*WHOLE, ("0601", [], Outcome.LOST)), "no whole answer to 0601"),
        ((*WHOLE, ("0131", [], Outcome.GARBLED)), "no whole answer to 0131"),
        ((WHOLE[0], ("03", [], Outcome.NO_DATA)), "counts 1 stored codes"),
        ((WHOLE[0], ("03", [(ENGINE, "7F0322")], Outcome.REFUSED)), "counts 1 stored codes"),
        ((WHOLE[0], ("03", [("7E9", "4300")], Outcome.ANSWERED)), "counts 1 stored codes"),
    ],
)
def test_nothing_is_erased_with_a_hole_in_the_evidence(rows, what):
    with pytest.raises(RefusedError, match=what) as caught:
        require_complete(exchanges(*rows))
    assert "nothing was erased" in str(caught.value)


def test_a_refusal_is_told_with_its_meaning():
    answers = STANDING | {"04": [(ENGINE, "7F0422")], "03": [(ENGINE, "43010102")]}
    _, (engine,), after = erase(answers)
    assert engine.accepted is False
    assert engine.refusal
    assert engine.after == ("P0102",)
    steps = next_steps((engine,), after)
    assert engine.refusal in steps[0]
    assert any("Still stored right after clearing: P0102" in step for step in steps)


def test_permanent_codes_are_said_to_remain():
    _, modules, after = erase(STANDING | {"0A": [(ENGINE, "4A010102")]})
    assert any("Permanent codes remain: P0102" in step for step in next_steps(modules, after))


def test_what_was_not_read_is_never_called_clean():
    _, modules, after = erase(STANDING)
    assert "not covered" in next_steps(modules, after)[-1]


def kept_session(path, *, end):
    transport = TableTransport(STANDING)
    writer = SessionWriter(path, SessionHeader(version=1), transport.clock)
    client = Client(RecordingTransport(transport, writer))
    client.read_codes()
    if end:
        writer.end("done")
    writer.close()
    return client


def test_evidence_is_compared_with_what_was_asked(tmp_path):
    path = tmp_path / "01-before.session.jsonl"
    client = kept_session(path, end=True)
    verify_evidence(path, client.exchanges)


def test_evidence_that_lost_an_exchange_is_no_evidence(tmp_path):
    path = tmp_path / "01-before.session.jsonl"
    client = kept_session(path, end=True)
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(lines[:2] + lines[3:]), encoding="utf-8")
    with pytest.raises(SessionFileError, match="nothing was erased"):
        verify_evidence(path, client.exchanges)


def test_evidence_without_its_end_is_no_evidence(tmp_path):
    path = tmp_path / "01-before.session.jsonl"
    client = kept_session(path, end=False)
    with pytest.raises(SessionFileError, match="nothing was erased"):
        verify_evidence(path, client.exchanges)


def test_the_client_itself_cannot_erase():
    client = Client(TableTransport(STANDING))
    for payload in (b"\x04", bytes.fromhex("14FFFFFF"), bytes.fromhex("2EF190")):
        with pytest.raises(RefusedError):
            client.ask(payload)
    assert client.transport.asked == []
