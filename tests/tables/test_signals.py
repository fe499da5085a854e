"""The shipped signal table as a whole, and what importing it brings in."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from obdlog.tables.signals import all_signals, by_name, by_pid, lengths, pids_by_name
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


# Data lengths from 60 up by WIKI-OBD2, save 68, 6E and 71 (SAE-J1699-3), 6B, 6F, 72 and the other
# PIDs that the article leaves out (SAE-J1699-3), AA, B2, D2 and D3 (OPEN-J1979), E0 (by analogy).
# The second lengths: 81, 82, 83 SAE-J1699-3 and SCAPY-OBD; 89, 8A, A7 and A8 from memory.
LATER = {
    1: [0x61, 0x62, 0x7D, 0x7E, 0x84, 0x8D, 0x8E, 0xAA, 0xB2, 0xC8],
    2: [0x63, 0x65, 0x92, 0x9E, 0xA2, 0xC3, 0xC7],
    3: [0x67, 0x6F, 0x90, 0x93, 0xD2],
    4: [0x60, 0x80, 0x9B, 0x9D, 0xA0, 0xA4, 0xA5, 0xA6, 0xA9, 0xC0, 0xC5, 0xD3, 0xE0],
    5: [0x64, 0x66, 0x6A, 0x6B, 0x6C, 0x72, 0x73, 0x74, 0x77, 0x86, 0x87, 0x91],
    6: [0x71, 0x9A],
    7: [0x68, 0x69, 0x75, 0x76, 0x7A, 0x7B, 0x8B, 0x8F, 0xC6],
    8: [0xC4],
    9: [0x6E, 0x78, 0x79, 0x7C, 0x98, 0x99, 0x9F, 0xA1, 0xA3],
    10: [0x70, 0x85],
    11: [0x6D],
    12: [0x94],
    13: [0x7F, 0x88],
    17: [0x8C, 0x9C],
}
TWO_FORMS = {0x81: (21, 41), 0x82: (21, 41), 0x89: (21, 41), 0x8A: (21, 41)} | {
    0x83: (5, 9), 0xA7: (4, 9), 0xA8: (4, 9),
}  # fmt: skip


def test_every_later_pid_has_its_published_length() -> None:
    published = {pid: (size,) for size, pids in LATER.items() for pid in pids} | TWO_FORMS
    assert {pid: lengths(pid) for pid in range(0x60, 0x100) if lengths(pid)} == published


@pytest.mark.parametrize("pid", [0xFF, 0x100, -1])
def test_an_unknown_pid_has_no_signals_and_no_length(pid: int) -> None:
    assert by_pid(pid) == ()
    assert lengths(pid) == ()


def test_names_find_their_signals() -> None:
    for signal in all_signals():
        assert by_name(signal.name).name == signal.name
        assert by_name(signal.name).pid == signal.pid
        assert pids_by_name()[signal.name] == signal.pid


def test_a_name_is_found_without_reading_the_other_rows() -> None:
    program = (
        "from obdlog.tables import signals; signals.by_name('ODO'); signals.pids_by_name();"
        "assert signals.by_pid.cache_info().currsize == 1"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0


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
    for pid in range(0x100):
        for length in lengths(pid):
            taken: dict[tuple[int, int, bool | None], str] = {}
            for signal in (s for s in by_pid(pid) if length in s.lengths):
                states = (True, False) if signal.when is None else (signal.when_set,)
                first = (signal.byte + signal.span) * 8 - signal.bit - signal.width
                for bit in range(first, first + signal.width):
                    for state in states:
                        owner = taken.setdefault((length, bit, state), signal.name)
                        assert owner == signal.name, (pid, owner, signal.name)


@pytest.mark.parametrize("checked", ["from memory", "one public table"])
def test_a_weak_source_is_not_hidden(checked: str) -> None:
    # Only states and plain copies of a neighbour's layout may rest on one source without a note.
    for signal in all_signals():
        if signal.checked == checked and signal.pid > 0x60:
            assert signal.note, signal.name


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
