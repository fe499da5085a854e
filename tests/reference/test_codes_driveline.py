"""Codes of transmission, electric drive, ignition, exhaust treatment and outputs.

``codes_driveline.csv`` was typed from public lists of generic codes (PUBLIC-DTC): the number, the
bank, cylinder or letter, and the kind of fault in one word. SAE J2012 itself was not read.
"""

from __future__ import annotations

import re
from collections import Counter

import pytest

from obdlog.codes.data import codes, faults
from obdlog.codes.explain import explain
from tests.reference.code_lists import numbered

CLASSES = {
    "circuit": "circuit hv-circuit lost-circuit", "open": "open hv-open",
    "low": "low hv-low voltage-low", "high": "high hv-high voltage-high",
    "range": "range hv-range control-range hv-control-range",
    "intermittent": "intermittent hv-intermittent", "no-signal": "no-signal",
    "electrical": "electrical", "stuck-off": "stuck-off", "stuck-on": "stuck-on",
    "malfunction": "performance fault circuit shift-error hv-voltage",
    "performance": "performance hv-performance hv-range range-low range-high",
    "stuck-open": "stuck-open hv-stuck-open performance",
    "stuck-closed": "stuck-closed hv-stuck-closed", "slip": "slip", "ratio": "wrong-ratio",
    "correlation": "disagree hv-disagree", "lamp": "requests-lamp", "efficiency": "efficiency",
    "too-low": "too-low hv-too-low range-low hv-voltage-low current-low",
    "too-high": "too-high hv-too-high range-high hv-voltage-high current-high",
    "stuck": "stuck stays-engaged stays-disengaged", "not-engaging": "cannot-engage",
    "not-learned": "not-learned", "swapped": "swapped", "aged": "aged replace",
}  # fmt: skip
"""The kinds of fault of our table that say what a list's class says."""

DISAGREE = {
    "P0700": "the list says malfunction; the standard's later wording is a request for the lamp",
    "P2582": "list E says open, where every run of this form ends with intermittent",
    "P2597": "list E says open, where every run of this form ends with intermittent",
}
"""Numbers whose kind differs from the lists, and why ours stays."""

LEFT_OUT = {
    "P2350": "cylinder pressure: one list, single numbers without an order",
    "P2358": "cylinder pressure: one list, single numbers without an order",
    "P2362": "cylinder pressure: one list, single numbers without an order",
    "P2364": "cylinder pressure: one list, single numbers without an order",
    **dict.fromkeys(
        (*(f"P238{n}" for n in range(10)),),
        "further recirculation sensors: one list, high before low unlike every other run",
    ),
    "P2873": "clutch B: one list, and its neighbours name clutch A",
    **dict.fromkeys(
        (*(f"P289{n}" for n in range(10)), *(f"P290{n}" for n in range(4, 10))),
        "ion current and oil separator: one list only, which mixes in numbers of its maker",
    ),
}
"""Numbers that a list names and this table does not, and why."""


def _tokens(place: str) -> list[str]:
    return re.findall(r"(?:cylinder|bank|sensor|gear) \d+|\b[A-Z]\b|reverse|neutral", place)


ROWS = tuple((code, place, kind) for code, place, kind, _ in numbered("codes_driveline.csv"))


def test_the_file_names_each_number_once() -> None:
    doubled = [code for code, count in Counter(code for code, *_ in ROWS).items() if count > 1]
    assert not doubled
    assert len(ROWS) > 1000


@pytest.mark.parametrize("family", sorted({code[:3] for code, *_ in ROWS}))
def test_every_listed_number_is_explained_or_left_out_for_a_reason(family: str) -> None:
    for code, *_ in ROWS:
        if code.startswith(family):
            assert (code in codes()) is (code not in LEFT_OUT), code


@pytest.mark.parametrize("family", sorted({code[:3] for code, *_ in ROWS}))
def test_kind_of_fault_agrees_with_the_lists(family: str) -> None:
    for code, _, kind in ROWS:
        if code.startswith(family) and kind != "named" and code not in {*LEFT_OUT, *DISAGREE}:
            assert codes()[code].fault.id in CLASSES[kind].split(), (code, kind)


@pytest.mark.parametrize("family", sorted({code[:3] for code, *_ in ROWS}))
def test_bank_cylinder_or_letter_agrees_with_the_lists(family: str) -> None:
    for code, place, _ in ROWS:
        if code.startswith(family) and code not in LEFT_OUT:
            ours = codes()[code].place.replace("sensors 2 and 3", "")
            for token in _tokens(place):
                assert re.search(rf"\b{token}\b", ours), (code, token, ours)


def test_what_no_list_names_says_so() -> None:
    """Most such codes continue or close a run whose other numbers a list names."""
    families = {code[:3] for code, *_ in ROWS}
    unlisted = {code for code, row in codes().items() if code[:3] in families and not row.listed}
    named = {code for code, *_ in ROWS}
    assert unlisted == {code for code in codes() if code[:3] in families and code not in named}
    assert "no public list" in dict(explain("P0B0D").facts)["beware"]


def test_what_is_set_aside_is_needed() -> None:
    kinds = {code: kind for code, _, kind in ROWS}
    for code in LEFT_OUT:
        assert code in kinds, code
        assert code not in codes(), code
    for code in DISAGREE:
        assert codes()[code].fault.id not in CLASSES[kinds[code]].split(), code


@pytest.mark.parametrize(
    ("code", "words"),
    [  # PUBLIC-DTC; P0ABE, P0B12 and P0C46 from memory
        ("P0741", "stuck off"), ("P07B5", "implausibly low"), ("P0888", "sensed voltage"),
        ("P0AA6", "isolation lost"), ("P0ABE", "comes and goes"), ("P0B12", "sensor B"),
        ("P0B8D", "circuit Q"), ("P0C46", "coolant"), ("P2309", "coil D"), ("P2310", "coil D"),
        ("P268F", "cylinder 4"), ("P2697", "cylinder 12"), ("P282F", "below its range"),
        ("P2830", "above its range"), ("P2BA7", "reductant tank empty"), ("P3410", "cylinder 2"),
    ],
)  # fmt: skip
def test_ends_of_runs(code: str, words: str) -> None:
    assert words in explain(code).title


def test_nothing_about_high_voltage_sends_anyone_to_measure() -> None:
    forbidden = re.compile(r"at the connector|the key off|with a meter|multimeter")
    high_voltage = [row for code, row in codes().items() if re.match(r"P0[A-F]", code)]
    assert high_voltage
    for kind in faults().values():
        if kind.id.startswith(("hv-", "current-")) or kind.id == "isolation":
            assert not forbidden.search(kind.measure), kind.id
    orange = re.compile(r"[Hh]igh-voltage|[Tt]raction|[Dd]rive motor|[Ii]nverter|[Cc]harg|Hybrid g")
    usual = {"circuit", "open", "low", "high", "range", "intermittent", "electrical"}
    for row in high_voltage:
        if orange.search(row.component.label) and row.fault.id in usual:
            assert row.component.id in LOW_VOLTAGE, (row.code, row.component.id)


LOW_VOLTAGE = {"hv-fan", "hv-coolant-pump", "motor-torque-sensor"}
"""Parts of an electric drive whose own circuits carry 12 or 5 V."""
