"""Structure and meaning of codes."""

from __future__ import annotations

import pytest

from obdlog.codes.data import codes, components, faults
from obdlog.codes.meaning import Definer, definer, describe, split_code
from obdlog.codes.patterns import matches
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


@pytest.mark.parametrize(
    ("text", "failure"),
    [
        ("P0562-16", "voltage too low"), ("c003113", "open circuit"), ("P0562", ""),
        ("B0020:1B", "resistance too high"), ("U0100-00", "no further detail"),
        ("P0562-A5", "failure type A5, which no public"),
    ],
)  # fmt: skip
def test_failure_type_in_words(text: str, failure: str) -> None:
    assert describe(text).failure.startswith(failure)
    assert bool(describe(text).failure) is bool(failure)


@pytest.mark.parametrize(
    ("code", "family"),
    [
        ("P0102", "powertrain: fuel and air metering"),
        ("P0BFF", "powertrain: hybrid and electric"),
        ("P2E00", "powertrain: later additions"), ("U0501", "network: data from other modules"),
        ("U3006", "network: a module's own supply"), ("C0031", "chassis: brakes"),
        ("B0001", "body: airbags"), ("P1234", "powertrain"), ("U0A00", "network: not assigned"),
    ],
)  # fmt: skip
def test_family(code: str, family: str) -> None:
    assert describe(code).family.startswith(family)


@pytest.mark.parametrize("code", ["P0FFF", "P2FFF", "P3FFF", "C0FFF", "B0FFF", "U0FFF", "U3FFF"])
def test_a_standardised_number_that_nobody_documents_is_not_guessed(code: str) -> None:
    said = describe(code)
    assert (said.definer, said.component) == (Definer.STANDARD, "")
    assert said.family in said.meaning


@pytest.mark.parametrize("code", [
    "P1000", "P30FF", "P33FF", "C1000", "C2FFF", "B1000", "U1FFF", "U2000",
])  # fmt: skip
def test_the_makers_ranges(code: str) -> None:
    assert definer(code) is Definer.MAKER
    assert "maker's documents" in describe(code).meaning


@pytest.mark.parametrize("code", ["C3000", "C3FFF", "B3000", "B3FFF"])
def test_reserved_ranges(code: str) -> None:
    assert definer(code) is Definer.RESERVED
    assert "reserves" in describe(code).meaning


def test_no_airbag_code_tells_to_measure() -> None:
    """A measuring current can fire an airbag (common practice)."""
    for code, row in codes().items():
        if code.startswith("B00"):
            assert row.fault.measure.startswith("do not measure"), code


def test_modules_have_a_name_that_a_user_would_say() -> None:
    """So that "unplugged the brake module" can be matched."""
    for name in ("ecm", "tcm", "abs", "bcm", "gateway", "restraints", "cluster", "climate",
                 "tyre-pressure", "power-steering", "parking-brake", "door-module"):  # fmt: skip
        assert components()[name].aliases, name


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
