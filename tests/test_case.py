"""The case folder: what the user wrote, and the sessions in the order of the job."""

from __future__ import annotations

from datetime import date

import pytest

from obdlog.case import (
    CaseFacts,
    load_case_facts,
    next_session_path,
    session_files,
    write_case_facts,
)
from obdlog.errors import InputFileError
from obdlog.model import Work


def test_a_folder_without_facts_has_none(tmp_path):
    assert load_case_facts(tmp_path) == CaseFacts()


def test_facts_survive_a_round_trip(tmp_path):
    facts = CaseFacts(
        vehicle={"displacement_l": 1.8, "fuel": "petrol"},
        work=Work(unplugged=('air "flow" meter',), replaced=("filter\\box",)),
        notes=("rattles when cold",),
        operator="A. Nobody",
        odometer_km=123456.0,
    )
    write_case_facts(tmp_path, facts)
    assert load_case_facts(tmp_path) == facts


def test_what_the_user_wrote_is_never_overwritten(tmp_path):
    (tmp_path / "case.toml").write_text('place = "here"\n', encoding="utf-8")
    write_case_facts(tmp_path, CaseFacts(place="there"))
    assert load_case_facts(tmp_path).place == "here"


def test_facts_of_every_kind_stay_valid_toml(tmp_path):
    vehicle = {
        "hybrid": True,
        "boosted": False,
        "cylinders": 4,
        "soak_h": 8.5,
        "altitude_m": 1e16,
        "options": ["tow bar", 'sun "roof"'],
        "a key": "spaces",
    }
    skipped = {"built": date(2020, 1, 1), "nested": {"a": 1}, "mixed": [1, "a"], "unknown": None}
    write_case_facts(tmp_path, CaseFacts(vehicle=vehicle | skipped))
    assert load_case_facts(tmp_path).vehicle == vehicle


def test_a_number_with_thousands_of_digits_is_told_in_a_sentence(tmp_path):
    (tmp_path / "case.toml").write_text(f"odometer_km = {'9' * 5000}\n", encoding="utf-8")
    with pytest.raises(InputFileError, match="not valid TOML"):
        load_case_facts(tmp_path)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("[work\n", "not valid TOML"),
        ("work = 3\n", r"\[work\] must be a table"),
        ('[work]\nunplugged = "maf"\n', "must be a list of texts"),
        ('odometer_km = "many"\n', "must be a number"),
        ("odometer_km = -1\n", "must be a number"),
        ("notes = [1]\n", "must be a list of texts"),
    ],
)
def test_a_case_file_that_makes_no_sense_is_told_in_a_sentence(tmp_path, text, what):
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match=what):
        load_case_facts(tmp_path)


def test_a_binary_case_file_is_told_in_a_sentence(tmp_path):
    (tmp_path / "case.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputFileError, match="not UTF-8"):
        load_case_facts(tmp_path)


def test_control_characters_do_not_survive(tmp_path):
    (tmp_path / "case.toml").write_text('notes = ["a\\u001b[31mb"]\n', encoding="utf-8")
    assert "\x1b" not in load_case_facts(tmp_path).notes[0]


def test_sessions_are_numbered_in_order_and_sorted_by_number(tmp_path):
    for number in (2, 10, 1):
        (tmp_path / f"{number:02d}-x.session.jsonl").touch()
    (tmp_path / "loose.session.jsonl.gz").touch()
    (tmp_path / "report.html").touch()
    assert [p.name for p in session_files(tmp_path)] == [
        "01-x.session.jsonl",
        "02-x.session.jsonl",
        "10-x.session.jsonl",
        "loose.session.jsonl.gz",
    ]
    assert next_session_path(tmp_path, "codes").name == "11-codes.session.jsonl"


def test_a_missing_folder_is_made_for_the_next_session(tmp_path):
    path = next_session_path(tmp_path / "new" / "case", "codes")
    assert path.parent.is_dir()
    assert path.name == "01-codes.session.jsonl"


def test_a_file_in_place_of_a_folder_is_told_in_a_sentence(tmp_path):
    file = tmp_path / "file"
    file.touch()
    with pytest.raises(InputFileError, match="cannot be created"):
        next_session_path(file, "codes")
    with pytest.raises(InputFileError, match="not a case folder"):
        session_files(file)
