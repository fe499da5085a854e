"""Numbers, modules and classes of fault of U, C and B codes against public lists.

``codes_network.csv`` was typed from public lists of generic codes (PUBLIC-DTC), one word for each
number; their descriptions are not kept. Network: a list that kept only what two lists agree on.
Chassis and body: a list of the 2007 edition, of which public repair information of two makers
confirms about 60 numbers (`test_sides` holds some of them).

Disagreements, and what was decided: C0035, C0040, C0045 and C0050 are wheel speed sensors in an
older numbering; the newer one is followed and the older one told behind it. C0012, C0016, C001A
and C001E, C0064, C006B and C0071–C0086 stand in one list only. U02A0 is left out (an "invalid
data" text in the block of lost modules). Lists of popular web pages that give C0021–C0066 or
B0002–B0019 to other circuits mix the two numberings and were not followed.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from obdlog.codes.data import codes
from obdlog.codes.judge import caution
from obdlog.codes.meaning import describe, failure_types, failure_words, families
from obdlog.tables.code_text import code_number, code_text
from tests.reference.code_lists import rows

CLASSES = {
    "bus": {"bus-fault"}, "performance": {"performance"}, "off": {"bus-off"},
    "plus-open": {"wire-plus-open"}, "plus-low": {"wire-plus-low"}, "plus-high": {"wire-plus-high"},
    "minus-open": {"wire-minus-open"}, "minus-low": {"wire-minus-low"},
    "minus-high": {"wire-minus-high"}, "shorted": {"wires-shorted"},
    "lost": {"no-communication"}, "software": {"software-mismatch"}, "invalid": {"invalid-data"},
    "invalid-from-engine": {"got-invalid-data"},
    "self": {"fault", "bad-shutdown", "wake-up", "performance"},
}  # fmt: skip
OUR_WORDS = {
    "air conditioning": "air-conditioning", "all wheel": "all-wheel", "alert": "warning sound",
    "belt": "seat belt", "coolant": "coolant temperature", "controls": "control panel",
    "dynamics": "stability",
    "entrapment": "anti-trap", "fluid": "brake fluid", "frontal": "frontal airbag",
    "four-wheel": "four-wheel-drive", "gate": "tailgate", "ground": "earth", "head up": "head-up",
    "hvac": "climate", "immobilizer": "immobiliser", "information": "information centre",
    "leak": "tank leak", "lining": "lining wear", "nh3": "ammonia", "number": "vehicle number",
    "obstacle": "side obstacle", "park brake": "parking brake",
    "pto": "power take-off", "recall": "settings memory",
    "release": "release of brake pressure", "restraint lamp": "airbag warning lamp",
    "restraint sound": "airbag warning sound", "restraints": "airbag module",
    "restraints sensor": "crash sensor", "side restraints": "side airbag module",
    "starter": "starter-generator", "stop lamp": "brake lamp", "tension": "belt tension",
    "tire": "tyre", "tone": "toothed ring", "wheel drive": "four-wheel drive",
    "range": "transmission range", "emission": "emission-critical",
    "recirculation": "exhaust gas recirculation",
}  # fmt: skip
"""Where our word is another than the lists' (spelling, or a term of our own)."""


def numbers(cell: str) -> Iterator[str]:
    """Yield the codes of ``U0265-U0270``, counted in hexadecimal."""
    first, _, last = cell.partition("-")
    yield from map(code_text, range(code_number(first), code_number(last or first) + 1))


def outside() -> Iterator[tuple[str, str, str]]:
    for row in rows("codes_network.csv"):
        for code in numbers(row["codes"]):
            yield code, row["class"], row["word"]


LISTED = list(outside())


def test_each_number_is_listed_once() -> None:
    assert len({code for code, _, _ in LISTED}) == len(LISTED)


@pytest.mark.parametrize(("code", "kind", "word"), LISTED, ids=[code for code, _, _ in LISTED])
def test_code(code: str, kind: str, word: str) -> None:
    said = describe(code)
    ours = OUR_WORDS.get(word, word)
    if len(word) == 1:
        assert f", {word}:" in said.meaning
    else:
        assert ours.lower() in said.meaning.lower()
    assert kind == "any" or said.fault in CLASSES[kind]


def test_we_explain_what_is_listed_and_nothing_else() -> None:
    """Left out: U02A0, of which the lists disagree (an "invalid data" text among lost modules)."""
    ours = {code for code in codes() if code[0] in "UCB"}
    assert ours == {code for code, _, _ in LISTED}


def test_the_same_module_loses_communication_and_sends_invalid_data() -> None:
    """The blocks U01/U02 and U04/U05 name the same modules, whatever their order."""
    lost = {(row.component.id, row.place) for row in codes().values()
            if row.fault.id == "no-communication"}  # fmt: skip
    invalid = {(row.component.id, row.place) for row in codes().values()
               if row.fault.id == "invalid-data"}  # fmt: skip
    # The lists give number U04A4, which the battery interface D would have, to another sensor.
    assert lost - invalid == {("hv-interface-module", "D")}
    assert invalid - lost == {("any-module", "")}


@pytest.mark.parametrize(
    ("code", "component", "place"),
    [  # Wheels and sides, number by number, from public repair information of two makers
        ("C0010", "brake-inlet-valve", "left front"),
        ("C0015", "brake-outlet-valve", "right front"),
        ("C0018", "brake-inlet-valve", "left rear"), ("C001D", "brake-outlet-valve", "right rear"),
        ("C0020", "abs-pump", ""), ("C0030", "tone-wheel", "left front"),
        ("C0031", "wheel-speed", "left front"), ("C0034", "wheel-speed", "right front"),
        ("C0037", "wheel-speed", "left rear"), ("C003A", "wheel-speed", "right rear"),
        ("C0044", "brake-pressure-sensor", "A"), ("B0001", "driver-airbag", "stage 1"),
        ("B0011", "passenger-airbag", "stage 2"), ("B0020", "side-airbag", "left"),
        ("B0029", "curtain-airbag", "right, circuit 1"), ("B0052", "belt-sensor", "passenger"),
        ("B0061", "belt-tension", "passenger"), ("B0075", "pretensioner", "second row right"),
        ("B0082", "load-limiter", "passenger"), ("B0091", "crash-sensor", "left side 1"),
        ("B0098", "crash-sensor", "right side 3"), ("B00DF", "passenger-disable-switch", ""),
        ("B00B5", "seat-position-sensor", "driver seat, track"),
        ("B00C6", "seat-position-sensor", "passenger seat, backrest"),
    ],
)  # fmt: skip
def test_sides(code: str, component: str, place: str) -> None:
    said = describe(code)
    assert (said.component, said.place) == (component, place)


@pytest.mark.parametrize(
    ("words", "said"),
    [  # Words of the lists, and what goes with them (common practice, no source)
        ({"restraints", "side restraints", "restraints sensor", "pretensioner"}, "Airbags"),
        ({"park brake", "steering effort", "power steering", "lock", "pump", "tone"}, "Brakes"),
        ({"drive motor", "battery interface", "dc/ac", "ac/dc", "dc/dc", "hybrid"}, "High voltage"),
    ],
)  # fmt: skip
def test_what_can_hurt_carries_its_caution(words: set[str], said: str) -> None:
    found = [code for code, _, word in LISTED if word in words]
    assert found
    assert [code for code in found if not caution(code).startswith(said)] == []


@pytest.mark.parametrize(
    ("code", "wheel"),
    [("C0035", "left front"), ("C0040", "right front"), ("C0045", "left rear"),
     ("C0050", "right rear")],
)  # fmt: skip
def test_an_older_numbering_of_the_wheels_is_named(code: str, wheel: str) -> None:
    """Lists disagree: the 2007 edition has C0035 as a supply, older practice as a sensor."""
    said = describe(code)
    assert said.meaning.endswith(f"by an older numbering: wheel speed sensor, {wheel}")
    assert "two numberings" in said.note
    assert "older" not in describe("C0034").meaning


def test_every_code_is_in_exactly_one_range() -> None:
    for number in range(0x10000):
        code = code_text(number)
        assert sum(family.holds(code) for family in families()) == 1, code


def test_a_code_that_we_explain_is_in_a_range_with_a_name() -> None:
    for code in codes():
        assert "not assigned" not in describe(code).family, code


@pytest.mark.parametrize(
    ("byte", "word"),
    [  # Failure types as two public lists give them (PUBLIC-DTC)
        ("00", "no further"), ("01", "electrical"), ("07", "mechanical"), ("08", "bus"),
        ("11", "short to earth"), ("12", "short to supply"), ("13", "open"),
        ("14", "earth or open"), ("15", "supply or open"), ("16", "voltage too low"),
        ("17", "voltage too high"), ("18", "current too low"), ("19", "current too high"),
        ("1A", "resistance too low"), ("1B", "resistance too high"), ("1C", "voltage out of range"),
        ("1D", "current out of range"), ("1E", "resistance out of range"), ("1F", "comes and goes"),
        ("21", "too little"), ("22", "too far"), ("23", "stays low"), ("24", "stays high"),
        ("26", "too slowly"), ("27", "too fast"), ("28", "zero point"), ("29", "not valid"),
        ("31", "no signal"), ("36", "frequency too low"), ("37", "frequency too high"),
        ("39", "too few pulses"), ("3A", "too many pulses"), ("41", "checksum"),
        ("44", "data memory"), ("45", "program memory"), ("46", "calibration memory"),
        ("47", "watchdog"), ("49", "inside"), ("4A", "wrong part"), ("4B", "too hot"),
        ("51", "not programmed"),
        ("54", "calibration missing"), ("55", "not configured"), ("62", "compared"),
        ("64", "implausible"), ("67", "after an event"), ("71", "stuck"), ("72", "stuck open"),
        ("73", "stuck closed"), ("77", "commanded position"), ("7A", "leak"), ("7B", "fluid level"),
        ("81", "not valid"), ("82", "counter"), ("83", "check value"), ("84", "below"),
        ("85", "above"), ("87", "message missing"), ("88", "switched off"), ("92", "works wrongly"),
        ("93", "does not work"), ("96", "inside the part"), ("97", "blocked"), ("98", "too hot"),
    ],
)  # fmt: skip
def test_failure_types(byte: str, word: str) -> None:
    assert word in failure_words(byte)
    assert describe(f"P0562{byte}").failure == failure_words(byte)


@pytest.mark.parametrize("byte", ["0A", "10", "20", "3B", "80", "A0", "FF"])
def test_reserved_failure_types_are_not_guessed(byte: str) -> None:
    """Reserved in the public lists."""
    assert int(byte, 16) not in dict(failure_types())
    assert "no public list explains" in failure_words(byte)
