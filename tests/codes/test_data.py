"""The code tables are read strictly, and what they say of each other holds."""

from __future__ import annotations

import re
from collections.abc import Iterator
from fnmatch import fnmatchcase
from types import ModuleType

import pytest

from obdlog.client import JUDGING_PIDS
from obdlog.codes import advice, data
from obdlog.codes.advice import Advice, Refinement, load_advice, parse_advice
from obdlog.codes.data import (
    FAMILIES,
    KINDS,
    CodeRow,
    code_row,
    codes,
    codes_matching,
    components,
    faults,
)
from obdlog.codes.explain_code import explain_code, runs, signals_at
from obdlog.codes.patterns import breadth, matches
from obdlog.codes.topics import load_topics, parse_topics, topic_of, watch
from obdlog.errors import TableError
from obdlog.tables.code_text import code_text
from obdlog.tables.monitors import monitor_names
from obdlog.tables.signals import by_name, pids_by_name

COMPONENTS = "id,label,kind,aliases,signals,rails,connector,reference,leads_to\n"
FAULTS = "id,phrase,sort,causes,measure\nlow,low,electrical,wire,look\n"
RUNS = "first,component,place,faults\n"
PATTERNS = sorted({p for c in components().values() for p in c.leads_to} | set(FAMILIES))


@pytest.fixture
def tables(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, str]]:
    """Yield texts that stand for the files of the package; readers forget what they read."""
    texts = {
        **dict.fromkeys(FAMILIES.values(), RUNS),
        data.COMPONENTS: COMPONENTS + "maf,Meter,sensor,,MAF,MAF=0*,,,\n",
        data.FAULTS: FAULTS,
        FAMILIES["C0???"]: RUNS + "C0001,maf,sensor 1..2,low - low\n",
    }
    monkeypatch.setattr(data, "package_text", texts.__getitem__)
    _forget(data)
    yield texts
    monkeypatch.undo()
    _forget(data)


def _forget(module: ModuleType) -> None:
    for one in vars(module).values():
        if hasattr(one, "cache_clear"):
            one.cache_clear()


def test_a_run_counts_faults_and_places(tables: dict[str, str]) -> None:
    found = {row.code: row.place for row in codes_matching(("C0???",))}
    assert found == {
        "C0001": "sensor 1", "C0003": "sensor 1", "C0004": "sensor 2", "C0006": "sensor 2",
    }  # fmt: skip
    assert code_row("C0002") is None


@pytest.mark.parametrize(
    ("file", "text", "message"),
    [
        (data.COMPONENTS, "id,label\n", "missing column"),
        (data.COMPONENTS, COMPONENTS + "maf,Meter,gadget,,,,,,\n", "gadget"),
        (data.COMPONENTS, COMPONENTS + "maf,A,sensor,,,,,,\nmaf,B,sensor,,,,,,\n", "doubled"),
        (data.COMPONENTS, COMPONENTS + ",Meter,sensor,,,,,,\n", "empty"),
        (data.COMPONENTS, COMPONENTS + "maf,Meter,sensor,,,MAF,,,\n", "rails"),
        (data.COMPONENTS, COMPONENTS + "maf,Meter,sensor,,,MAF=nan,,,\n", "rails"),
        (data.COMPONENTS, COMPONENTS + "maf,Meter,sensor,,,MAF>0,,,\n", "rails"),
        (data.FAULTS, FAULTS + "low,low,electrical,,\n", "doubled"),
        (FAMILIES["C0???"], RUNS + "C0001,maf,,high\n", "unknown component or fault"),
        (FAMILIES["C0???"], RUNS + "C0001,tps,,low\n", "unknown component or fault"),
        (FAMILIES["C0???"], RUNS + "C00,maf,,low\n", "trouble code"),
        (FAMILIES["C0???"], RUNS + "C0001,maf,,low\nC0001,maf,,low\n", "doubled"),
        (FAMILIES["C0???"], RUNS + "C1001,maf,,low\n", "does not belong"),
        (FAMILIES["C0???"], RUNS + "C0001,maf,sensor 1..B,low\n", "does not count"),
        (FAMILIES["C0???"], RUNS + "C0001,maf\n", "cells"),
    ],
)
def test_a_table_that_is_wrong_names_file_and_reason(
    tables: dict[str, str], file: str, text: str, message: str
) -> None:
    tables[file] = text
    with pytest.raises(TableError, match=message) as caught:
        codes()
    assert caught.value.file == file


def test_patterns_mean_what_shell_patterns_mean() -> None:
    # Second opinion: fnmatch of the Python standard library.
    probes = list(codes())[::7]
    for pattern in PATTERNS:
        for code in probes:
            assert matches(code, (pattern,)) is fnmatchcase(code, pattern)


@pytest.mark.parametrize("pattern", ["P017[0-5]", "U0[0-4]??", "C0???", "P2[0-2]9[6-9]"])
def test_codes_are_found_by_pattern_in_every_family(pattern: str) -> None:
    found = {row.code for row in codes_matching((pattern,))}
    assert found == {code for code in codes() if fnmatchcase(code, pattern)}


def test_no_pattern_finds_no_code() -> None:
    assert list(codes_matching(())) == []


def test_one_code_alone_is_read_as_with_all_others() -> None:
    for code in {*codes(), *map(code_text, range(0x1000))}:  # P0000 to P0FFF
        assert code_row(code) == codes().get(code)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_every_pattern_is_one_of_codes(pattern: str) -> None:
    assert 1 <= breadth(pattern) <= 16**4
    assert any(fnmatchcase(code, pattern) for code in codes()), "it stands for no code"


@pytest.mark.parametrize("name", components())
def test_what_a_component_says_exists(name: str) -> None:
    component, known = components()[name], pids_by_name()
    assert component.kind in KINDS
    assert set(component.signals) <= set(known)
    for rail in component.rails:
        signal = by_name(rail.signal)
        assert signal.low is not None
        assert signal.high is not None
        assert signal.low <= rail.value <= signal.high
        assert watch(rail.signal, (rail,)).at_its_end, "the topic does not say what it means"


def test_the_codes_command_reads_what_the_judgement_looks_at() -> None:
    rails = {rail.signal for component in components().values() for rail in component.rails}
    looked_at = {*rails, "RPM", "VPWR", "CLR_TIME", "CLR_DIST", "WARM_UPS"}
    assert {by_name(name).pid for name in looked_at} <= set(JUDGING_PIDS)


@pytest.mark.parametrize(
    ("ending", "kinds"),
    [
        (" sensor", {"sensor"}), (" module", {"module"}), (" lamp", {"lamp"}),
        (" heater", {"heater"}), (" switch", {"switch"}), (" motor", {"actuator"}),
        (" pump", {"actuator"}), (" solenoid", {"actuator"}), (" bus", {"bus"}),
        (" valve", {"actuator", "mechanical"}),
    ],
)  # fmt: skip
def test_a_kind_fits_the_words(ending: str, kinds: set[str]) -> None:
    found = [
        c
        for c in components().values()
        if c.label.endswith(ending) and not re.search(r" (?:of|to|before|module) ", c.label)
    ]
    crash_sensor = "restraint-sensor"  # a sensor with electronics of its own
    assert [c.id for c in found if c.kind not in kinds and c.id != crash_sensor] == []


@pytest.mark.parametrize("row", faults().values(), ids=faults())
def test_a_kind_of_fault_says_causes_and_what_to_measure(row: data.Fault) -> None:
    assert row.causes
    assert all(row.causes)
    assert len(row.measure) > len("look")
    assert row.sort in load_advice().returns


def _of(code: str) -> CodeRow:
    row = code_row(code)
    assert row is not None
    return row


@pytest.mark.parametrize("one", load_advice().refine, ids=str)
def test_every_refinement_is_about_some_code(one: Refinement) -> None:
    assert one.causes or one.measure
    assert set(one.kinds) <= set(KINDS)
    assert set(one.faults) <= set(faults())
    assert set(one.sorts) <= {fault.sort for fault in faults().values()}
    assert any(one.fits(row) for row in codes().values())


def test_advice_names_monitors_that_exist() -> None:
    known = {*monitor_names("spark"), *monitor_names("compression")}
    assert {m for row in load_advice().proof for m in row.monitors} <= known
    assert set(load_topics().monitor) == known


@pytest.mark.parametrize(
    ("code", "monitors"),
    [
        # Names of the monitors: SAE J1979, PID 01; which code each covers: common practice.
        ("P0301", ("misfire",)), ("P0171", ("fuel-system",)), ("P0420", ("catalyst",)),
        ("P0455", ("evaporative-system",)), ("P0411", ("secondary-air",)),
        ("P0135", ("oxygen-sensor-heater",)), ("P0401", ("egr-vvt",)),
        ("P0011", ("egr-vvt",)), ("P0133", ("oxygen-sensor", "exhaust-gas-sensor")),
        ("P20EE", ("nox-scr",)), ("P0299", ("boost-pressure",)), ("P2002", ("pm-filter",)),
        ("P0102", ("components",)), ("P0741", ("components",)), ("U0100", ()), ("C0035", ()),
        ("B0001", ()), ("P0093", ("fuel-system",)), ("P0148", ("components",)),
        ("P0168", ("components",)), ("P044B", ("egr-vvt",)), ("P045C", ("egr-vvt",)),
        ("P2080", ("components",)), ("P2088", ("egr-vvt",)), ("P2182", ("components",)),
        ("P2195", ("oxygen-sensor", "exhaust-gas-sensor")), ("P222A", ("components",)),
        ("P218F", ("nox-scr",)), ("P2279", ("fuel-system",)), ("P2423", ("nmhc-catalyst",)),
    ],
)  # fmt: skip
def test_the_monitor_that_proves_a_repair(code: str, monitors: tuple[str, ...]) -> None:
    assert advice.proving_monitors(_of(code)) == monitors
    assert bool(explain_code(code, None).monitors) is bool(monitors)
    assert explain_code(code, None).proof


@pytest.mark.parametrize(
    ("code", "cause", "measure"),
    [
        ("P0117", "shorted to earth", "−40 °C"), ("P0118", "unplugged", "join them"),
        ("P0102", "unplugged", "airflow"), ("P0101", "leak", "g/s"), ("P0107", "5 V", "4.75"),
        ("P2127", "5 V", "4.75"), ("P0135", "fuse", "Ω"), ("P0201", "connector", "cylinders"),
        ("P0335", "connector", "starter"), ("C0035", "wheel", "four wheel speeds"),
        ("P0562", "battery", "12.4"), ("P0642", "pulls", "5.25"),
        ("P0753", "connector", "resistance"),
        ("P0607", "supply", "earth"), ("U3000", "supply", "earth"),
        ("P0093", "line", "by hand"), ("P0087", "fuel", "cuts skin"), ("P039A", "valves", "cyl"),
        ("P0049", "hose", "boost"), ("C0012", "caliper", "Do not drive"),
        ("P0751", "fluid", "gear"), ("U0002", "voltage", "modules"),
        ("P252F", "too high", "level"), ("P0131", "earth", "trims"),
        ("B0001", "clock spring", "Do not measure"), ("B0010", "seat", "Do not measure"),
    ],
)  # fmt: skip
def test_causes_and_measurement_fit_the_kind_of_circuit(
    code: str, cause: str, measure: str
) -> None:
    causes, what = advice.causes_and_measure(_of(code))
    assert cause in " ".join(causes[:2])
    assert measure in what


@pytest.mark.parametrize("code", [c for c in codes() if c.startswith("B00")])
def test_nobody_is_told_to_measure_an_airbag(code: str) -> None:
    assert "Do not measure" in advice.causes_and_measure(_of(code))[1]


def test_nobody_is_told_to_open_high_voltage() -> None:
    for code, row in codes().items():
        if (
            code[:3] in {"P0A", "P0B", "P0C", "P0D", "P0E", "P0F"}
            and row.fault.sort == "electrical"
        ):
            measure = advice.causes_and_measure(row)[1]
            assert "trained people" in measure, code


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("P0171", {"SHRTFT1", "LONGFT1"}), ("P0174", {"SHRTFT2", "LONGFT2"}),
        # PID 13 counts four sensors a bank [SAE-J1979]: bank 2 sensor 1 is the fifth, PID 18.
        ("P0150", {"O2S5_V"}), ("P0130", {"O2S1_V"}), ("P0136", {"O2S2_V"}),
    ],
)  # fmt: skip
def test_signals_are_those_of_the_bank(code: str, expected: set[str]) -> None:
    found = set(signals_at(_of(code)))
    assert expected <= found
    other = "bank 1" if "bank 2" in _of(code).place else "bank 2"
    assert not [name for name in found if other in by_name(name).label]


def test_codes_in_a_row_are_told_as_one() -> None:
    assert runs(["P0171", "P0170", "P0299", "P0172"]) == "P0170–P0172, P0299"


@pytest.mark.parametrize("name", pids_by_name())
def test_every_signal_has_a_topic(name: str) -> None:
    topic = topic_of(name)
    assert topic.meaning
    assert topic.measure
    assert bool(topic.expected) is bool(topic.source)


@pytest.mark.parametrize(
    "text",
    ["not toml", "[signal.ECT]\nmeening = 'x'", "[signal.NOPE]\n[monitor.x]",
     "[signal.ECT]\nexpected = '80 °C'\n[monitor]", "[signal.ECT]\nalso = 'ECT1'\n[monitor]"],
)  # fmt: skip
def test_bad_topics_are_refused(text: str) -> None:
    with pytest.raises(TableError):
        parse_topics(text)


GOOD_ADVICE = "refine=[]\ndriving=[]\nproof=[]\nstructure=[]\n[returns]\n[unexplained]\n"


def test_the_least_advice_is_read() -> None:
    assert isinstance(parse_advice(GOOD_ADVICE), Advice)


@pytest.mark.parametrize(
    "text",
    ["not toml", "", GOOD_ADVICE.replace("refine=[]", "refine=[{cods=['P0???']}]"),
     GOOD_ADVICE.replace("proof=[]", "proof=[{codes='P0???'}]"),
     GOOD_ADVICE.replace("proof=[]", "proof=[{monitors=['x']}]")],
)  # fmt: skip
def test_bad_advice_is_refused(text: str) -> None:
    with pytest.raises(TableError):
        parse_advice(text)
