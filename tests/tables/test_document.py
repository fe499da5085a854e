"""docs/signals.md is generated from the tables and in step with them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from obdlog.tables.document import formula_text, signals_page
from obdlog.tables.info_types import counters, info_types
from obdlog.tables.oxygen_scales import oxygen_scales
from obdlog.tables.signals import all_signals, by_name
from obdlog.tables.uasid import all_scalings
from obdlog.units import UNITS

PAGE = Path(__file__).parents[2] / "docs" / "signals.md"


def test_the_page_is_in_step() -> None:
    told = "run: python -m obdlog.tables.document > docs/signals.md"
    assert PAGE.read_text(encoding="utf-8") == signals_page(), told


def test_every_signal_and_every_scaling_is_on_it() -> None:
    page = signals_page()
    for signal in all_signals():
        assert f"| {signal.pid:02X} | {signal.name} | {signal.label} |" in page
    for number in all_scalings():
        assert f"\n| {number:02X} | " in page


def test_the_other_services_and_all_units_are_on_it() -> None:
    page = signals_page()
    for kind in info_types().values():
        assert f"| {kind.id:02X} | {kind.label} |" in page
    for name in ("spark", "compression"):
        for place, counter in enumerate(counters(name)):
            assert f"| {name} | {place:02X} | {counter.name} |" in page
    for number in oxygen_scales():
        assert f"\n| {number:02X} | " in page.split("(service 05")[1]
    for unit in UNITS - {""}:
        assert f"\n| {unit} | " in page.split("## Units")[1]


@pytest.mark.parametrize(
    "line",
    [  # NIST-SP811, appendix B: a mile is 1.609344 km, a psi 6.894757 kPa, °F = 1.8 °C + 32
        "| km | km | mi = km × 0.6213712 |",
        "| kPa | kPa | psi = kPa × 0.1450377 |",
        "| °C | °C | °F = °C × 1.8 + 32 |",
    ],
)
def test_imperial_units_are_those_of_the_guide(line: str) -> None:
    assert line in signals_page()


@pytest.mark.parametrize(
    ("name", "formula"),
    [
        ("RPM", "AB × 1/4"),
        ("ECT", "A − 40"),
        ("EVAP_VP", "signed(AB) × 1/4"),
        ("SHRTFT3", "B × 25/32 − 100"),
        ("DTC_CNT", "A.0–6"),
        ("MIL", "A.7 = 1"),
        ("MISFIRE_RDY", "B.4 = 0"),
        ("DTCFRZF", "trouble code in AB"),
        ("HEV_BATT_A", "signed(EF) × 1/10"),
        ("BP_B_CS", "J.2–3 in list boost-control"),
        ("AECD4_TIME1", "Z AA AB AC"),
        ("EVAP_VP_A3", "bytes A–I as they are"),
    ],
)
def test_formulas_read_like_the_standard(name: str, formula: str) -> None:
    assert formula_text(by_name(name)) == formula


def test_the_module_writes_the_page() -> None:
    command = [sys.executable, "-m", "obdlog.tables.document"]
    done = subprocess.run(command, check=True, capture_output=True, timeout=60)
    assert done.stdout.decode() == signals_page()
