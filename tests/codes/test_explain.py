"""Offline explanations of codes, signals and monitors."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.codes.data import codes
from obdlog.codes.explain import UnknownTopicError, explain, explain_all
from obdlog.tables import signals
from obdlog.tables.monitors import monitor_names


def test_a_code() -> None:
    found = explain("p0102")
    assert (found.kind, found.name) == ("code", "P0102")
    assert "Airflow meter" in found.title
    assert "not a part" in found.meaning
    assert found.causes
    assert "MAF" in found.related
    assert dict(found.facts)["often shares a plug with"] == "Intake air temperature sensor"


def test_a_code_with_failure_type() -> None:
    assert dict(explain("P0562-16").facts)["failure type"].startswith("16")


@pytest.mark.parametrize("code", ["B0001", "U0151", "C0031", "P0AA6"])
def test_dangerous_systems_carry_their_caution(code: str) -> None:
    assert explain(code).safety


def test_codes_of_the_maker_and_reserved_ones() -> None:
    assert dict(explain("P1234").facts)["defined by"] == "the maker"
    assert "reserved" in dict(explain("B3000").facts)["defined by"]


@pytest.mark.parametrize("text", ["RPM", "rpm", "0C", "0x0c", "pid 0c", "010C"])
def test_a_signal_by_name_or_pid(text: str) -> None:
    found = explain(text)
    assert (found.kind, found.name) == ("signal", "RPM")
    assert dict(found.facts)["unit"] == "rpm"


def test_expected_ranges_name_their_source() -> None:
    assert "source" in dict(explain("ECT").facts)["expected"]
    assert "ISO 2533" in dict(explain("BARO").facts)["expected"]


def test_a_pid_with_several_signals_lists_them() -> None:
    assert "DTC_CNT" in explain("01").related


@pytest.mark.parametrize("name", [*monitor_names("spark"), *monitor_names("compression")])
def test_every_monitor(name: str) -> None:
    found = explain(name)
    assert found.kind == "monitor"
    assert dict(found.facts)["completes"]


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("ECTT", "ECT"),
        ("coolant tempe", "ECT"),
        ("catalist", "catalyst"),
        ("airbags lampe", "airbag"),
        ("brakes", "brake module"),
    ],
)
def test_unknown_text_gets_suggestions(text: str, near: str) -> None:
    with pytest.raises(UnknownTopicError, match="did you mean") as caught:
        explain(text)
    assert near in caught.value.suggestions


@pytest.mark.parametrize(
    ("words", "names"),
    [
        ("P0102 ECT", ["P0102", "ECT"]),
        ("oxygen sensor heater", ["oxygen-sensor-heater"]),
        ("oxygen sensor heater P0030 pid 0c", ["oxygen-sensor-heater", "P0030", "RPM"]),
        ("ect ect", ["ECT", "ECT"]),
        ("catalyst airbag", ["catalyst", "airbag"]),
    ],
)
def test_several_things_are_explained_one_by_one(words: str, names: list[str]) -> None:
    assert [found.name for found in explain_all(words.split())] == names


@pytest.mark.parametrize("words", ["P0102 nonsense", "nonsense P0102", "P0102 P9999"])
def test_of_several_things_each_must_be_known(words: str) -> None:
    unknown = "P9999" if "P9999" in words else "nonsense"
    with pytest.raises(UnknownTopicError, match=unknown):
        explain_all(words.split())


@pytest.mark.parametrize("code", ["P9999", "p4000", "P01", "U01000", "P010G"])
def test_what_is_meant_as_a_code_hears_what_one_looks_like(code: str) -> None:
    with pytest.raises(UnknownTopicError, match="digit from 0 to 3") as caught:
        explain(code)
    assert all(s in codes() and s[2:] == code[2:5].upper() for s in caught.value.suggestions)


def test_a_mistyped_code_is_led_to_those_with_the_same_digits() -> None:
    with pytest.raises(UnknownTopicError) as caught:
        explain("P4102")
    assert caught.value.suggestions == ("P0102", "P2102")


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ("airbag", "ohmmeter"), ("srs", "ohmmeter"), ("abs", "Brakes"),
        ("hybrid battery", "High voltage"),
    ],
)  # fmt: skip
def test_parts_that_can_hurt_carry_their_caution(part: str, said: str) -> None:
    found = explain(part)
    assert found.kind == "part"
    assert said in found.safety
    assert dict(found.facts)["codes that name it"]


def test_a_part_leads_to_its_codes_and_readings() -> None:
    found = explain("coolant temp")
    assert "P0115–P011A" in dict(found.facts)["codes that name it"]
    assert found.related == ("ECT",)
    assert "maker's means" in dict(explain("airbag").facts)["live readings"]


def test_a_monitor_has_nothing_to_measure() -> None:
    found = explain("catalyst")
    assert not found.measure
    assert "unknown, not repaired" in dict(found.facts)["not complete"]


def test_everything_in_the_tables_can_be_explained() -> None:
    for code in codes():
        assert explain(code).title
    for signal in signals.all_signals():
        assert explain(signal.name).title


@given(st.text(max_size=80))
def test_any_text_is_explained_or_named_unknown(text: str) -> None:
    try:
        found = explain(text)
    except UnknownTopicError as error:
        message = str(error)
    else:
        message = f"{found.kind} {found.name} {found.title}"
    assert message.isprintable()


@pytest.mark.parametrize(
    ("asked", "same_as"),
    [  # SAE J2012, digital annex: 11 short to earth, 13 open, 1F comes and goes
        ("P0101-13", "P0100"), ("P0101-11", "P0102"), ("P0100-1F", "P0104"),
        ("P0562-16", "P0562"), ("P0301-13", "P0301"), ("B0001-13", "B0001"),
        ("P0AA6-13", "P0AA6"),
    ],
)  # fmt: skip
def test_the_third_byte_names_the_kind_of_fault_of_a_circuit_only(asked: str, same_as: str) -> None:
    """Not of a supply, a misfire, an airbag or a high-voltage circuit."""
    found, other = explain(asked), explain(same_as)
    assert found.causes == other.causes
    assert found.measure == other.measure
    assert found.meaning == explain(asked.partition("-")[0]).meaning


def test_what_a_code_comes_from_stands_closest_first() -> None:
    found = explain("U0415").comes_from
    assert found.index("Wheel speed sensor") < found.index("Gateway module")
    assert found.index("Gateway module") < found.index("Battery")
