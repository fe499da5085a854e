"""Structure and meaning of codes."""

from __future__ import annotations

import pytest

from obdlog.codes.data import codes, components, faults, matches
from obdlog.codes.meaning import Definer, definer, describe, split_code
from obdlog.tables import signals


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("P0102", "Airflow meter"), ("P0113", "Intake air temperature"), ("P0118", "Coolant"),
        ("P0171", "bank 1: too lean"), ("P0304", "cylinder 4: misfire"), ("P0420", "Catalyst"),
        ("P0455", "large leak"), ("P0562", "voltage low"), ("P0700", "engine lamp"),
        ("P2138", "sensors D and E: two signals disagree"), ("P0141", "bank 1 sensor 2"),
        ("U0100", "Engine control module"), ("U0121", "Brake control module"),
        ("U0151", "Airbag module"), ("U0155", "Instrument cluster"), ("P2463", "soot"),
        ("P0298", "Engine oil temperature: too high"), ("P2119", "throttle body: position"),
        ("P2043", "implausible"), ("P2045", "above its range"), ("P0449", "solenoid: electrical"),
        ("P0011", "too early, or does not follow"), ("P242F", "ash"), ("P203F", "level: too low"),
        ("P219A", "bank 1: cylinders differ"), ("P2764", "below its range"), ("P062F", "memory"),
        ("P0642", "reference voltage A"), ("P2263", "Turbocharger"), ("P3400", "deactivation"),
    ],
)  # fmt: skip
def test_meaning(code: str, words: str) -> None:
    assert words in describe(code).meaning


def test_an_unexplained_code_says_so() -> None:
    unknown = describe("P0FFF")
    assert "does not explain" in unknown.meaning
    assert (unknown.standard, unknown.component) == (True, "")


def test_a_makers_code_sends_to_the_maker() -> None:
    assert "maker" in describe("P1234").meaning
    assert not describe("P1234").standard


@pytest.mark.parametrize("text", ["", "P010", "P4000", "Q0102", "P01GG", "P0102-1", "P0102-1G"])
def test_what_is_no_code(text: str) -> None:
    with pytest.raises(ValueError, match="not a trouble code"):
        describe(text)


def test_failure_type_is_split_off() -> None:
    assert split_code(" p0562-16 ") == ("P0562", "16")
    assert split_code("P056216") == ("P0562", "16")
    assert split_code("P0562") == ("P0562", None)


def test_every_code_in_the_table_belongs_to_the_standard_and_reads_well() -> None:
    for code in codes():
        said = describe(code)
        assert said.definer is Definer.STANDARD, code
        assert said.meaning[0].isupper(), code
        assert definer(code) is Definer.STANDARD


def test_no_two_codes_say_the_same() -> None:
    seen: dict[str, str] = {}
    for code in codes():
        said = describe(code).meaning
        assert said not in seen, f"{code} reads like {seen.get(said)}"
        seen[said] = code


def test_tables_refer_to_signals_that_exist() -> None:
    for component in components().values():
        for name in (*component.signals, *(rail.signal for rail in component.rails)):
            assert signals.by_name(name).name == name


def test_what_a_component_leads_to_exists() -> None:
    for component in components().values():
        for pattern in component.leads_to:
            assert any(matches(code, (pattern,)) for code in codes()), (component.id, pattern)


def test_every_kind_of_fault_is_used_and_says_what_to_do() -> None:
    used = {row.fault.id for row in codes().values()}
    assert used == set(faults())
    for fault in faults().values():
        assert fault.causes
        assert fault.measure
