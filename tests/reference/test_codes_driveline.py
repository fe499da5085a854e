"""Codes of transmission, electric drive, ignition, exhaust treatment and outputs.

``codes_driveline.csv`` was typed from public lists of generic codes (PUBLIC-DTC): the number, the
bank, cylinder or letter, and the kind of fault in one word. SAE J2012 itself was not read.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from obdlog.codes.data import codes, faults
from obdlog.codes.explain import explain
from obdlog.tables.code_text import code_number, code_text
from obdlog.tables.loader import read_rows

LISTED = Path(__file__).with_name("codes_driveline.csv")
COLUMNS = ("first", "place", "kinds", "lists")

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


FROM_MEMORY = """
P077C-P077D P07BF-P07C0 P07D9 P07F7 P080B-P080D P085A-P085E P088A-P088B P090A-P090D P092A-P092D
P099A-P099F P0A10-P0A1A P0A1C P0A1E P0A20-P0A29 P0A30-P0A3E P0A43-P0A77 P0A79 P0A7B-P0A7D
P0A81-P0A8A P0A8C-P0A8F P0A91-P0A92 P0A96-P0A9A P0A9C P0A9F-P0AA0 P0AA2-P0AA5 P0AA8-P0AAA
P0AAC-P0ABA P0ABE-P0ABF P0AC1-P0AC6 P0AC9-P0ACB P0ACE-P0AD8 P0ADA P0ADD-P0ADE P0AE1-P0AE5
P0AE8-P0AE9 P0AEC-P0AEE P0AF0-P0AF7 P0AF9 P0AFB-P0AFD P0B0D-P0B13 P0B23-P0B2A P0B2C P0B2E P0B3B
P0B3D-P0B49 P0B4B-P0B58 P0B5A-P0B5D P0B5F-P0B62 P0B64-P0B89 P0B8B-P0B8C P0B8E-P0B9C P0B9E-P0BBC
P0BCD-P0BD1 P0BE5 P0BE8-P0BE9 P0BEC-P0BFF P0C02-P0C04 P0C06-P0C07 P0C09-P0C1A P0C30 P0C32
P0C42-P0C43 P0C45-P0C47 P0C49 P0C50-P0C6D P0C74 P0C78-P0C7A P0D03 P0D08 P0D0A-P0D0E P0D10-P0D12
P0D14 P0D3D P0D40 P0D4C P0D4E-P0D4F P0D56-P0D59 P0DAA P240A-P240C P240F P242A-P242E P244A-P244F
P245D P2464-P2465 P2469-P246F P2472 P2477 P2482 P2484 P249C-P24A5 P24AF-P24B2 P24B4-P24B6 P250D
P252A-P252D P253B P254D-P254F P255A-P255C P257A-P257D P258A-P258D P259A-P259B P260C P260F
P264A-P264E P265A-P265E P266A-P266E P267A-P267E P268A-P2697 P279A-P27A0 P281E P2835 P283A-P283F
P2844 P284A-P284F P287A P2B61-P2B62 P2BA8 P2BAB P2BAD-P2BAE
"""
"""First and last numbers of runs that no list at hand names: from memory.

Most continue or close a run whose other numbers a list names. For the voltage sensing of a
traction battery a published table says that 26 letters have a low and a high code each.
"""


def listed() -> Iterator[tuple[str, str, str, str]]:
    """Yield code, place, class and lists of each number in the file."""
    text = LISTED.read_text(encoding="utf-8")
    plain = "".join(line for line in text.splitlines(keepends=True) if not line.startswith("#"))
    for row in read_rows(plain, COLUMNS, LISTED.name):
        number = code_number(row.cells["first"])
        for place in _places(row.cells["place"]):
            for kind in row.cells["kinds"].split():
                if kind != "-":
                    yield code_text(number), place, kind, row.cells["lists"]
                number += 1


def _places(text: str) -> list[str]:
    counting = re.fullmatch(r"(.*?)(\w+)\.\.(\w+)", text)
    if counting is None:
        return [text]
    before, first, last = counting.groups()
    if first.isdigit():
        return [f"{before}{n}" for n in range(int(first), int(last) + 1)]
    return [f"{before}{chr(n)}" for n in range(ord(first), ord(last) + 1)]


def _tokens(place: str) -> list[str]:
    return re.findall(r"(?:cylinder|bank|sensor|gear) \d+|\b[A-Z]\b|reverse|neutral", place)


ROWS = tuple(listed())


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
    for code, _, kind, _ in ROWS:
        if code.startswith(family) and kind != "named" and code not in {*LEFT_OUT, *DISAGREE}:
            assert codes()[code].fault.id in CLASSES[kind].split(), (code, kind)


@pytest.mark.parametrize("family", sorted({code[:3] for code, *_ in ROWS}))
def test_bank_cylinder_or_letter_agrees_with_the_lists(family: str) -> None:
    for code, place, *_ in ROWS:
        if code.startswith(family) and code not in LEFT_OUT:
            ours = codes()[code].place.replace("sensors 2 and 3", "")
            for token in _tokens(place):
                assert re.search(rf"\b{token}\b", ours), (code, token, ours)


def test_what_no_list_names_is_stated_as_from_memory() -> None:
    stated = set()
    for run in FROM_MEMORY.split():
        first, _, last = run.partition("-")
        stated |= set(map(code_text, range(code_number(first), code_number(last or first) + 1)))
    families = {code[:3] for code, *_ in ROWS}
    ours = {code for code in codes() if code[:3] in families}
    assert stated == ours - {code for code, *_ in ROWS}


def test_what_is_set_aside_is_needed() -> None:
    kinds = {code: kind for code, _, kind, _ in ROWS}
    for code in LEFT_OUT:
        assert code in kinds, code
        assert code not in codes(), code
    for code in DISAGREE:
        assert codes()[code].fault.id not in CLASSES[kinds[code]].split(), code


@pytest.mark.parametrize(
    ("family", "least"),
    [  # What this edition reached; a lower number means that rows were lost
        ("P07", 193), ("P08", 127), ("P09", 114), ("P0A", 254), ("P0B", 182), ("P0C", 80),
        ("P0D", 35), ("P0E", 1), ("P23", 53), ("P24", 140), ("P25", 137), ("P26", 133),
        ("P27", 107), ("P28", 93), ("P2A", 6), ("P2B", 11), ("P34", 98),
    ],
)  # fmt: skip
def test_codes_of_each_family(family: str, least: int) -> None:
    assert sum(code.startswith(family) for code in codes()) >= least


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
