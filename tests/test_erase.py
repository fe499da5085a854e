"""Erasing: never without the engine standing, never twice, and the read-back tells.

Service 04 and what it destroys: SAE J1979. The order of the steps is our own promise.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace

import pytest

from obdlog import survey
from obdlog.cli.commands.clear import exit_code
from obdlog.client import Client
from obdlog.erase.evidence import require_complete, require_engine_off, verify_evidence
from obdlog.erase.orders import generic_order
from obdlog.erase.result import next_steps
from obdlog.erase.sending import send_erase
from obdlog.errors import LinkError, RefusedError, SessionFileError
from obdlog.model import Bus, EcuMessage, Exchange, Generation, Outcome, Request
from obdlog.session.format import SessionHeader
from obdlog.session.reader import read_session
from obdlog.session.writer import SessionWriter
from obdlog.transport.recording import RecordingTransport
from tests.fakes import TableTransport

ENGINE = "7E8"
GENERIC = (generic_order(Generation.CLASSIC),)
SENT_NOW = GENERIC[0].text
STANDING = {
    "0100": [(ENGINE, "410080180000")],
    "010C": [(ENGINE, "410C0000")],
    "010D": [(ENGINE, "410D00")],
    "0101": [(ENGINE, "410181076500")],
    "03": [[(ENGINE, "43010102")], [(ENGINE, "4300")]],
    "07": [(ENGINE, "4700")],
    "04": [(ENGINE, "44")],
}


@pytest.fixture
def erase(tmp_path):
    """Erase a car of a table; returns the transport, the erasure and the session file."""

    def erase(answers, *, writer=SessionWriter, **options):
        transport = TableTransport(answers, **options)
        client = Client(transport)
        client.read_codes()
        before = survey.survey_codes(client.exchanges, Bus.CAN)
        transport.asked.clear()
        path = tmp_path / "after.session.jsonl"
        with contextlib.closing(writer(path, SessionHeader(version=1), transport.clock)) as session:
            erasure = send_erase(transport, session, before, GENERIC)
        return transport, erasure, read_session(path)

    return erase


def test_an_accepted_erase_is_sent_once_and_read_back(erase):
    transport, erasure, session = erase(STANDING)
    (engine,) = erasure.modules
    assert transport.asked.count("04") == 1
    assert transport.asked.index("04") < len(transport.asked) - 1
    assert engine.accepted is True
    assert (engine.before, engine.after) == (("P0102",), ())
    assert erasure.known
    assert exit_code(erasure) == 0
    assert [e.request.payload.hex() for e in session.exchanges].count("04") == 1


def test_that_the_erase_is_sent_is_on_disk_before_it_goes_out(tmp_path):
    path = tmp_path / "after.session.jsonl"
    seen = []

    class Watched(TableTransport):
        def exchange(self, request):
            if request.service == 0x04:
                seen.extend(mark.text for mark in read_session(path).marks)
            return super().exchange(request)

    transport = Watched(STANDING)
    with SessionWriter(path, SessionHeader(version=1), transport.clock) as session:
        send_erase(transport, session, (), GENERIC)
    assert seen == [SENT_NOW]


@pytest.mark.parametrize(
    ("answers", "what"),
    [
        ({"010C": [(ENGINE, "410C0C80")]}, "engine runs at 800 rpm"),
        ({"010D": [(ENGINE, "410D05")]}, "moves at 5 km/h"),
        ({"010C": []}, "not certain that the engine is off"),
        ({"010C": [(ENGINE, "7F0112")]}, "not certain that the engine is off"),
    ],
)
def test_nothing_is_erased_unless_the_engine_is_known_to_stand(tmp_path, answers, what):
    transport = TableTransport(STANDING | answers)
    with pytest.raises(RefusedError, match=what):
        require_engine_off(Client(transport))
    session = SessionWriter(tmp_path / "a.session.jsonl", SessionHeader(version=1))
    with session, pytest.raises(RefusedError, match=what):
        send_erase(transport, session, (), GENERIC)
    assert "04" not in transport.asked


class DamagedTransport(TableTransport):
    """Loses the answers about one PID on the way."""

    damaged = b"\x01\x0c"

    def exchange(self, request):
        exchange = super().exchange(request)
        if request.payload == self.damaged:
            return Exchange(exchange.at_s, request, (), Outcome.GARBLED)
        return exchange


@pytest.mark.parametrize("damaged", [b"\x01\x0c", b"\x01\x0d"])
def test_a_statement_does_not_stand_in_for_a_damaged_reply(damaged):
    transport = DamagedTransport(STANDING)
    transport.damaged = damaged
    with pytest.raises(RefusedError, match="did not arrive whole"):
        require_engine_off(Client(transport), stated_off=True)


def test_a_statement_counts_only_where_no_module_supports_the_engine_speed():
    without = STANDING | {"0100": [(ENGINE, "410080080000")], "010C": []}
    require_engine_off(Client(TableTransport(without)), stated_off=True)
    with pytest.raises(RefusedError, match="not certain"):
        require_engine_off(Client(TableTransport(STANDING | {"010C": []})), stated_off=True)
    with pytest.raises(RefusedError, match="engine runs"):
        require_engine_off(
            Client(TableTransport(STANDING | {"010C": [(ENGINE, "410C0C80")]})), stated_off=True
        )


def test_silence_is_not_answered_by_a_second_erase(erase):
    transport, erasure, _ = erase(STANDING | {"04": []})
    assert transport.asked.count("04") == 1
    assert erasure.modules[0].accepted is None
    assert any("did not say what became of the erase" in step for step in next_steps(erasure))
    # The read-back shows that it worked after all.
    assert exit_code(erasure) == 0


def test_silence_with_the_codes_still_there_is_no_success(erase):
    _, erasure, _ = erase(STANDING | {"04": [], "03": [(ENGINE, "43010102")]})
    assert not erasure.known
    assert exit_code(erasure) == 4


def test_a_module_that_is_not_read_back_is_not_called_clean(erase):
    other = "7E9"
    answers = STANDING | {
        "03": [[(ENGINE, "43010102"), (other, "43010700")], [(ENGINE, "4300")]],
        "07": [(ENGINE, "4700")],
    }
    _, erasure, _ = erase(answers)
    engine, gearbox = erasure.modules
    assert (engine.after, gearbox.after) == ((), None)
    assert not erasure.known
    assert exit_code(erasure) == 4
    assert any("was not read back" in step for step in next_steps(erasure))


def test_a_module_that_restarts_after_the_erase_is_asked_again(erase):
    answers = STANDING | {"03": [[(ENGINE, "43010102")], [], [(ENGINE, "4300")]]}
    transport, erasure, _ = erase(answers)
    assert transport.asked.count("04") == 1
    assert erasure.modules[0].after == ()
    assert erasure.known


@pytest.mark.parametrize(
    ("answer", "accepted", "refusal"),
    [
        ("44", True, None),
        # Negative response code 78 of ISO 14229-1 and ISO 14230-3: still at work on it.
        ("7F0478", None, None),
        ("7F04", False, "refused without saying why"),
        ("7F", None, None),
    ],
)
def test_what_a_module_says_of_the_erase(erase, answer, accepted, refusal):
    _, erasure, _ = erase(STANDING | {"04": [(ENGINE, answer)]})
    assert (erasure.modules[0].accepted, erasure.modules[0].refusal) == (accepted, refusal)


def test_of_modules_that_cannot_be_told_apart_one_refusal_counts(erase):
    answers = {ask: [("unknown", text) for _, text in got] for ask, got in STANDING.items()
               if ask != "03"}  # fmt: skip
    answers |= {"03": [("unknown", "43010102")], "04": [("unknown", "44"), ("unknown", "7F0422")]}
    _, erasure, _ = erase(answers)
    assert erasure.modules[0].accepted is False
    assert erasure.modules[0].refusal
    assert exit_code(erasure) == 5


def test_an_engine_that_runs_is_not_hidden_by_a_module_that_cannot_be_told_apart():
    answers = STANDING | {
        "0100": [("unknown", "410080180000")],
        "010C": [("unknown", "410C0C80"), ("unknown", "410C0000")],
        "010D": [("unknown", "410D00")],
    }
    with pytest.raises(RefusedError, match="engine runs at 800 rpm"):
        require_engine_off(Client(TableTransport(answers)))


def test_a_link_lost_before_the_erase_is_an_error_and_nothing_was_sent(tmp_path):
    transport = TableTransport(STANDING, lost_after=2)
    session = SessionWriter(tmp_path / "a.session.jsonl", SessionHeader(version=1))
    with session, pytest.raises(LinkError):
        send_erase(transport, session, (), GENERIC)
    assert "04" not in transport.asked


@pytest.mark.parametrize("still_works_for", [0, 1, 3])
def test_a_link_lost_from_the_erase_on_is_part_of_the_result(tmp_path, still_works_for):
    asked_before = 3  # 0100 and the two questions for the engine
    transport = TableTransport(STANDING, lost_after=asked_before + still_works_for)
    path = tmp_path / "a.session.jsonl"
    with SessionWriter(path, SessionHeader(version=1), transport.clock) as session:
        erasure = send_erase(transport, session, (), GENERIC)
    assert transport.asked.count("04") == min(still_works_for, 1)
    assert isinstance(erasure.trouble, LinkError)
    assert "may have been carried out" in next_steps(erasure)[0]
    assert exit_code(erasure) == 3
    kept = read_session(path)
    assert [e.request.payload for e in kept.exchanges].count(b"\x04") == 1
    assert kept.marks[0].text == SENT_NOW


class FullDisk(SessionWriter):
    """Cannot be written any more once the erase went out."""

    def exchange(self, exchange):
        if exchange.request.service == 0x04 or self.counts["marks"]:
            raise SessionFileError("no space left", path=self.path)
        super().exchange(exchange)


def test_a_disk_that_fills_up_at_the_erase_does_not_hide_its_result(erase):
    transport, erasure, _ = erase(STANDING, writer=FullDisk)
    assert transport.asked.count("04") == 1
    assert erasure.modules[0].accepted is True
    assert erasure.modules[0].after == ()
    assert "no space left" in next_steps(erasure)[0]
    assert exit_code(erasure) == 6


def test_ctrl_c_while_the_erase_is_out_leaves_it_in_the_session(tmp_path):
    class Interrupted(TableTransport):
        def exchange(self, request):
            if request.service == 0x04:
                raise KeyboardInterrupt
            return super().exchange(request)

    transport = Interrupted(STANDING)
    path = tmp_path / "a.session.jsonl"
    session = SessionWriter(path, SessionHeader(version=1), transport.clock)
    with session, pytest.raises(KeyboardInterrupt):
        send_erase(transport, session, (), GENERIC)
    erased = [e for e in read_session(path).exchanges if e.request.payload == b"\x04"]
    assert [e.outcome for e in erased] == [Outcome.LOST]


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
    kept = exchanges(*WHOLE, *later)
    require_complete(kept, Bus.CAN)
    assert len(kept) == len(WHOLE) + len(later)


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
        ((*WHOLE, ("03", [(ENGINE, "430201")], Outcome.ANSWERED)), "counts 2 codes but carries 0"),
        ((*WHOLE, ("050101", [], Outcome.TIMEOUT)), "no whole answer to 050101"),
    ],
)
def test_nothing_is_erased_with_a_hole_in_the_evidence(rows, what):
    with pytest.raises(RefusedError, match=what) as caught:
        require_complete(exchanges(*rows), Bus.CAN)
    assert "nothing was erased" in str(caught.value)


def test_a_refusal_is_told_with_its_meaning(erase):
    _, erasure, _ = erase(STANDING | {"04": [(ENGINE, "7F0422")], "03": [(ENGINE, "43010102")]})
    (engine,) = erasure.modules
    assert engine.accepted is False
    assert engine.refusal
    assert engine.after == ("P0102",)
    steps = next_steps(erasure)
    assert engine.refusal in steps[0]
    # Nothing was cleared there, so nothing came back.
    assert not any("Still stored right after clearing" in step for step in steps)
    assert exit_code(erasure) == 5


def test_permanent_codes_are_said_to_remain_and_are_no_failure(erase):
    _, erasure, _ = erase(STANDING | {"0A": [(ENGINE, "4A010102")]})
    assert any("Permanent codes remain: P0102" in step for step in next_steps(erasure))
    assert erasure.modules[0].after == ("P0102",)
    assert erasure.modules[0].stored == ()
    assert exit_code(erasure) == 0


def test_what_was_not_read_is_never_called_clean(erase):
    _, erasure, _ = erase(STANDING)
    assert "not covered" in next_steps(erasure)[-1]


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


def test_another_modules_zero_does_not_stand_in_for_the_engines_lost_answer():
    answers = STANDING | {
        "0100": [(ENGINE, "410080180000"), ("7E9", "410080180000")],
        "010C": [("7E9", "410C0000")],
        "010D": [(ENGINE, "410D00"), ("7E9", "410D00")],
    }
    with pytest.raises(RefusedError, match="did not arrive whole"):
        require_engine_off(Client(TableTransport(answers)), stated_off=True)


def test_a_hole_beside_a_whole_answer_is_a_hole():
    whole = exchanges(*WHOLE)
    damaged = replace(exchanges(("07", [("7E9", "4700")], Outcome.ANSWERED))[0], damaged=True)
    with pytest.raises(RefusedError, match="no whole answer to 07"):
        require_complete([*whole, damaged], Bus.CAN)


def test_codes_that_an_older_bus_lost_are_missed_by_their_count():
    rows = exchanges(
        ("0101", [("10", "410185076500")], Outcome.ANSWERED),
        ("03", [("10", "43010201130171")], Outcome.ANSWERED),
    )
    with pytest.raises(RefusedError, match="counts 5 stored codes and lists 3"):
        require_complete(rows, Bus.LEGACY)


def test_a_known_result_whose_record_is_incomplete_is_called_that(erase):
    _, erasure, _ = erase(STANDING, writer=FullDisk)
    assert "only its record" in next_steps(erasure)[0]
