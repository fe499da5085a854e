"""After an erase and a key cycle: what the case holds, what came back, which lamps should be out.

Status bits: ISO 14229-1. What lamps do: common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog.clock import ManualClock
from obdlog.erase.key_cycle import Lamp, compare, document, next_steps
from obdlog.erase.last_erase import find_last_erase
from obdlog.errors import InputFileError
from obdlog.model import FUNCTIONAL, Bus, EcuMessage, Exchange, Request
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.survey import ModuleCodes, survey_codes


def reading(*rows: tuple[str, str, str, str]) -> list[Exchange]:
    """Return exchanges of (target, request, source, reply)."""
    return [
        Exchange(0.0, Request(bytes.fromhex(ask), to), (EcuMessage(source, bytes.fromhex(reply)),))
        for to, ask, source, reply in rows
    ]


LAMP_ON, LAMP_OFF = "410181076500", "410100076500"


def engine(lamp: str, codes: str) -> list[Exchange]:
    return reading((FUNCTIONAL, "0101", "7E8", lamp), (FUNCTIONAL, "03", "7E8", codes))


def brake(reply: str) -> list[Exchange]:
    return reading(("7B0", "1902AF", "7B8", reply))


def codes(exchanges: list[Exchange]) -> tuple[ModuleCodes, ...]:
    return survey_codes(exchanges, Bus.CAN)


BEFORE = [*engine(LAMP_ON, "43010102"), *brake("5902FF4035118F")]


@pytest.mark.parametrize(
    ("now", "engine_lamp", "brake_lamp"),
    [
        (
            [*engine(LAMP_OFF, "4300"), *brake("5902FF")],
            Lamp.SHOULD_BE_OUT,
            Lamp.SHOULD_BE_OUT,
        ),
        (
            [*engine(LAMP_OFF, "4300"), *brake("5902FF403511D0")],
            Lamp.SHOULD_BE_OUT,
            Lamp.STILL_REQUESTED,
        ),
        (engine(LAMP_ON, "43010102"), Lamp.STILL_REQUESTED, Lamp.NOT_READ),
    ],
)
def test_which_lamps_should_be_out(now, engine_lamp, brake_lamp):
    found = compare(codes(BEFORE), codes(now), ("7E8", "7B8"), {})
    assert {m.address: m.lamp for m in found} == {"7E8": engine_lamp, "7B8": brake_lamp}


def test_a_code_listed_for_its_lamp_only_has_not_come_back():
    (module,) = compare(codes(brake("5902FF4035118F")), codes(brake("5902FF403511D0")), (), {})
    assert module.now == ()
    assert module.gone == ("C0035",)
    assert module.back == ()
    assert "a drive may be needed" in module.because


def test_a_code_that_came_back_points_to_a_fault_that_is_there():
    found = compare(codes(BEFORE), codes(BEFORE), ("7E8", "7B8"), {"7B8": "brake control"})
    said = " ".join(next_steps(found))
    assert "brake control (7B8): C0035 came back" in said
    assert "fault that is there now" in said


def test_a_module_that_is_not_read_is_called_unknown():
    found = compare(codes(BEFORE), codes(engine(LAMP_OFF, "4300")), ("7B8",), {})
    brake_now = next(m for m in found if m.address == "7B8")
    assert (brake_now.now, brake_now.gone) == (None, ())
    assert any("was not read" in step for step in next_steps(found))


@pytest.mark.parametrize("refused_before", [True, False])
def test_a_module_that_the_evidence_does_not_hold_had_no_codes_that_are_known(refused_before):
    before = [*engine(LAMP_ON, "43010102"), *(brake("7F197F") if refused_before else ())]
    now = [*engine(LAMP_OFF, "4300"), *brake("5902FF4035118F")]
    found = compare(codes(before), codes(now), ("7E8",), {})
    brake_now = next(m for m in found if m.address == "7B8")
    assert brake_now.before is None
    assert (brake_now.now, brake_now.new, brake_now.back) == (("C0035",), (), ())
    said = " ".join(next_steps(found))
    assert "7B8 was not read before the erase: whether C0035 came since then is not known" in said
    assert "new since the evidence" not in said
    shown = document("01.session.jsonl", None, found, "2026-01-01T00:00:00Z")["modules"]
    assert next(m["before"] for m in shown if m["address"] == "7B8") is None


def test_a_code_in_the_permanent_memory_alone_has_not_come_back():
    now = [*engine(LAMP_OFF, "4300"), *reading((FUNCTIONAL, "0A", "7E8", "4A010102"))]
    (module,) = compare(codes(engine(LAMP_ON, "43010102")), codes(now), ("7E8",), {})
    assert (module.now, module.back, module.gone) == (("P0102",), (), ())
    said = " ".join(next_steps([module]))
    assert "Permanent codes remain: P0102" in said
    assert "came back" not in said


def test_a_module_of_the_older_language_without_codes_asks_for_no_lamp():
    # ISO 14230-3: the lamp is a bit of each code's status.
    before = reading(("720", "1800FF00", "728", "5801C121E4"))
    now = reading(("720", "1800FF00", "728", "5800"))
    (module,) = compare(codes(before), codes(now), ("728",), {})
    assert module.lamp is Lamp.SHOULD_BE_OUT


def test_new_codes_are_named():
    now = [*engine(LAMP_ON, "43010301"), *brake("5902FF")]
    found = compare(codes(BEFORE), codes(now), ("7E8",), {})
    assert next(m.new for m in found if m.address == "7E8") == ("P0301",)


def test_the_document_lists_the_lamps_that_should_be_out():
    found = compare(codes(BEFORE), codes([*engine(LAMP_OFF, "4300"), *brake("5902FF")]), (), {})
    said = document("01.session.jsonl", None, found, "2026-01-01T00:00:00Z")
    assert said["format"] == "obdlog.after-key-cycle/1"
    assert said["lamps_that_should_be_out"] == ["7B8", "7E8"]
    assert said["modules"][0]["gone"] == ["C0035"]


def write(folder: Path, name: str, exchanges: list[Exchange]) -> None:
    with SessionWriter(folder / name, SessionHeader(version=1), ManualClock()) as session:
        for exchange in exchanges:
            session.exchange(exchange)
        session.end("done")


ERASE = reading((FUNCTIONAL, "04", "7E8", "44"), ("7B0", "14FFFFFF", "7B8", "54"))


def test_the_evidence_is_the_last_reading_before_the_last_erase(tmp_path):
    write(tmp_path, "01-codes.session.jsonl", engine(LAMP_ON, "43010171"))
    write(tmp_path, "02-before-clear.session.jsonl", BEFORE)
    write(tmp_path, "03-after-clear.session.jsonl", [*ERASE, *engine(LAMP_OFF, "4300")])
    write(tmp_path, "04-codes.session.jsonl", engine(LAMP_OFF, "4300"))
    last = find_last_erase(tmp_path, pytest.fail)
    assert last.evidence.name == "02-before-clear.session.jsonl"
    assert last.erased == {"7E8", "7B8"}
    assert last.asked == (("7B0", "7B8"),)
    assert {m.address: m.with_status("confirmed") for m in last.before} == {
        "7E8": ("P0102",),
        "7B8": ("C0035",),
    }


def test_without_an_erase_there_is_nothing_to_compare_with(tmp_path):
    write(tmp_path, "01-codes.session.jsonl", BEFORE)
    with pytest.raises(InputFileError, match="no erase with evidence"):
        find_last_erase(tmp_path, pytest.fail)


def test_a_broken_session_is_told_and_the_others_count(tmp_path):
    write(tmp_path, "01-before-clear.session.jsonl", BEFORE)
    (tmp_path / "02-broken.session.jsonl").write_text("not a session\n")
    write(tmp_path, "03-after-clear.session.jsonl", ERASE)
    told: list[str] = []
    assert find_last_erase(tmp_path, told.append).erased == {"7E8", "7B8"}
    assert "02-broken" in told[0]
