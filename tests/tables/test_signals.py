"""The shipped signal table as a whole, and what importing it brings in."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from obdlog.tables.signals import all_signals, by_name, by_pid, lengths
from obdlog.units import UNITS

# Data lengths by WIKI-OBD2 (docs/references.md). PIDs 06 to 09 and 55 to 58 have a second byte
# where banks 3 and 4 exist (SAE-J1979, from memory).
TWO_BYTES = {
    *(0x02, 0x03, 0x0C, 0x10, *range(0x14, 0x1C), 0x1F, 0x21, 0x22, 0x23, 0x31, 0x32),
    *(*range(0x3C, 0x40), 0x42, 0x43, 0x44, 0x4D, 0x4E, 0x53, 0x54, 0x59, 0x5D, 0x5E),
}
FOUR_BYTES = {0x00, 0x01, 0x20, 0x40, 0x41, 0x4F, 0x50, *range(0x24, 0x2C), *range(0x34, 0x3C)}
ONE_OR_TWO = {*range(0x06, 0x0A), *range(0x55, 0x59)}


@pytest.mark.parametrize("pid", range(0x60))
def test_every_pid_up_to_5f_has_its_published_length(pid: int) -> None:
    if pid in ONE_OR_TWO:
        assert lengths(pid) == (1, 2)
    elif pid in FOUR_BYTES:
        assert lengths(pid) == (4,)
    elif pid in TWO_BYTES:
        assert lengths(pid) == (2,)
    else:
        assert lengths(pid) == (1,)
    assert by_pid(pid)


@pytest.mark.parametrize("pid", [0xFF, 0x100, -1])
def test_an_unknown_pid_has_no_signals_and_no_length(pid: int) -> None:
    assert by_pid(pid) == ()
    assert lengths(pid) == ()


def test_names_find_their_signals() -> None:
    for signal in all_signals():
        assert by_name(signal.name).name == signal.name
        assert by_name(signal.name).pid == signal.pid


def test_every_source_is_in_the_bibliography() -> None:
    text = (Path(__file__).parents[2] / "docs" / "references.md").read_text(encoding="utf-8")
    for signal in all_signals():
        keys = signal.source.split()
        if signal.checked not in ("from memory", "one public table"):
            keys += signal.checked.split()
        for key in keys:
            assert f"| {key} |" in text, (signal.name, key)


def test_every_unit_is_in_the_closed_list() -> None:
    assert {signal.unit for signal in all_signals()} <= UNITS


def test_no_bit_of_a_pid_is_claimed_twice() -> None:
    for pid in range(0x60):
        for length in lengths(pid):
            taken: dict[tuple[int, int, bool | None], str] = {}
            for signal in (s for s in by_pid(pid) if length in s.lengths):
                states = (True, False) if signal.when is None else (signal.when_set,)
                first = (signal.byte + signal.span) * 8 - signal.bit - signal.width
                for bit in range(first, first + signal.width):
                    for state in states:
                        owner = taken.setdefault((length, bit, state), signal.name)
                        assert owner == signal.name, (pid, owner, signal.name)


def test_importing_reads_no_table_and_no_numpy() -> None:
    # Of the tables only the vectorised decoder may bring in numpy.
    program = (
        "import sys; from obdlog.tables import decode, encode, monitors, signals, uasid, lookups;"
        "assert signals._table.cache_info().currsize == 0;"
        "assert lookups.all_lookups.cache_info().currsize == 0;"
        "assert uasid.all_scalings.cache_info().currsize == 0;"
        "assert 'numpy' not in sys.modules and 'pandas' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", program], check=False, timeout=60)
    assert done.returncode == 0
