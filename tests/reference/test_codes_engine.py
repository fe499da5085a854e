"""Codes of air, fuel, ignition, exhaust, speed, module and throttle families, P00-P06 and P20-P22.

``codes_engine.csv`` was typed from public lists of generic codes (PUBLIC-DTC): number, circuit,
place and kind of fault, one word each. SAE J2012 itself was not read.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

import pytest

from obdlog.codes.data import codes
from obdlog.codes.explain import explain
from tests.reference.code_lists import numbered, rows

CLASSES = {
    "activated": "opened opened-often", "air-leak": "air-leak leak-or-blocked",
    "circuit": "circuit control", "correlation": "disagree", "current-high": "draws-much",
    "current-low": "draws-little", "deteriorated": "core-missing", "erratic": "intermittent",
    "flow-low": "flow-low too-low", "fuel-disabled": "fuel-cut", "high": "high voltage-high",
    "ice": "iced", "imbalance": "imbalance differs", "incompatible": "mismatch",
    "incorrect": "wrong-content wrong-key wrong-part", "key": "key-not-programmed",
    "lamp": "requests-lamp", "leak-large": "leak-large fuel-leak-large",
    "leak-small": "leak-small fuel-leak-small", "leaking": "drips leaking",
    "limited-power": "forced-power", "limited-rpm": "forced-rpm", "link": "lost lost-circuit",
    "low": "low voltage-low",
    "malfunction": "performance trim circuit fault", "mechanical": "stuck",
    "memory": "lost-content memory", "odometer": "odometer-missing", "open": "open circuit",
    "over-current": "draws-much", "over-temperature": "too-hot",
    "performance": "performance range control-range", "range": "range control-range not-following",
    "shorted": "short", "shorted-to-heater": "short-to-heater", "shutdown": "forced-stop",
    "slow": "slow slow-to-follow", "slow-to-start": "not-reached", "stop": "stop end-stop",
    "too-high": "too-high range-high", "trim-max": "trim-high", "trim-min": "trim-low",
    "too-low": "too-low too-cold too-cold-closed-loop too-cold-stable range-low",
    "vin": "vin-missing",
}  # fmt: skip
"""The kinds of fault of our table that say what a list's class says, where the word differs."""

DISAGREE = {
    "P026A": "the lists say efficiency, which our table keeps for catalysts; a cooler cools",
    "P0496": "the lists say high flow; later wording and practice: flow while none is asked for",
}
"""Numbers whose kind differs from the lists, and why ours stays."""

DECIDED = {
    "P040F": "B", "P06AA": "B", "P0016": "sensor A", "P0017": "sensor B", "P014E": "rich to lean",
    "P0431": "Warm-up", "P04B3": "stuck open", "P0066": "below its range", "P20EF": "Upstream",
}  # fmt: skip
"""Where one list departs from the others or from its own run, and the reading that is kept."""

LEFT_OUT = {
    "P0000": "no code: the lists call it reserved, or no trouble code",
    "P0364": "one list only; the others call it reserved or leave it out as not to be verified",
    "P00D5": "one list only, which names an oxygen sensor but no kind of fault",
}
"""Numbers that a list names and this table does not, and why."""

FROM_MEMORY = {"P04AE": "the lists name its pair P04AF and both of valve A"}
"""Numbers that no list at hand names."""


LISTED = tuple(
    (code, row["circuit"], place, kind) for code, place, kind, row in numbered("codes_engine.csv")
)
CIRCUITS = {row["circuit"]: row["components"].split() for row in rows("codes_engine_circuits.csv")}
FAMILIES = ("P00", "P01", "P02", "P03", "P04", "P05", "P06", "P20", "P21", "P22")


def of(family: str) -> Iterator[tuple[str, str, str, str]]:
    return (row for row in LISTED if row[0].startswith(family))


def test_the_file_names_each_number_once() -> None:
    doubled = [code for code, count in Counter(row[0] for row in LISTED).items() if count > 1]
    assert not doubled


def test_what_is_explained_is_listed_or_from_memory_and_nothing_is_forgotten() -> None:
    ours = {code for code in codes() if code.startswith(FAMILIES)}
    stated = {row[0] for row in LISTED}
    assert ours - stated == {code for code in ours if not codes()[code].listed} == set(FROM_MEMORY)
    assert stated - ours == set()
    assert not ours & set(LEFT_OUT)


@pytest.mark.parametrize("family", FAMILIES)
def test_circuit_agrees_with_the_lists(family: str) -> None:
    for code, circuit, *_ in of(family):
        assert codes()[code].component.id in CIRCUITS[circuit], (code, circuit)


def test_a_component_stands_for_circuits_of_one_kind_only() -> None:
    """Few components stand for several circuits of the lists: a swap of two rows would show."""
    shared = Counter(id_ for ids in CIRCUITS.values() for id_ in ids)
    assert {id_ for id_, count in shared.items() if count > 1} == {
        "fuel-pressure-regulator", "misfire", "warm-up",
    }  # fmt: skip
    several = {circuit for circuit, ids in CIRCUITS.items() if len(ids) > 1}
    assert several == {"HO2S", "barometric", "cylinder pressure", "fuel composition", "fuel relief"}


@pytest.mark.parametrize("family", FAMILIES)
def test_kind_of_fault_agrees_with_the_lists(family: str) -> None:
    for code, _, _, kind in of(family):
        if code not in DISAGREE:
            assert codes()[code].fault.id in CLASSES.get(kind, kind).split(), (code, kind)


@pytest.mark.parametrize("family", FAMILIES)
def test_bank_cylinder_sensor_or_letter_agrees_with_the_lists(family: str) -> None:
    """A list's first of several, A, may go without its letter in our table."""
    for code, _, place, _ in of(family):
        ours = codes()[code].place
        for token in re.findall(r"(?:cylinder|bank|sensor|fan|unit) \d+|\b[A-Z]\b", place):
            unnamed = token == "A" and not re.search(r"\b[A-Z]\b", ours)
            assert unnamed or re.search(rf"\b{token}\b", ours), (code, token, ours)


@pytest.mark.parametrize(
    ("code", "component"),
    [(f"P{n:04X}", "o2-upstream") for n in (0x0130, 0x0150, 0x014C, 0x2195, 0x2237, 0x2297)]
    + [(f"P{n:04X}", "o2-downstream") for n in (0x0136, 0x0142, 0x013A, 0x2270, 0x2274, 0x22AB)],
)
def test_sensor_1_stands_before_the_catalyst(code: str, component: str) -> None:
    assert codes()[code].component.id == component


@pytest.mark.parametrize("code", sorted(DECIDED))
def test_decided_readings(code: str) -> None:
    assert DECIDED[code] in explain(code).title


def test_what_is_set_aside_is_needed() -> None:
    kinds = {code: kind for code, _, _, kind in LISTED}
    for code in DISAGREE:
        kind = kinds[code]
        assert codes()[code].fault.id not in CLASSES.get(kind, kind).split(), code
