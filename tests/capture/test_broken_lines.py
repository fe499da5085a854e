"""A broken line in the middle is said with its number, and the rest is read.

python-can's own readers end at such a line; the first test holds them to that, so that the detour
is dropped when it is no longer needed.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

import can
import pytest

from obdlog.capture.read import read_capture
from obdlog.errors import InputFileError

GOOD = {
    ".log": "(1700000000.{n:02d}0000) can0 7E8#04410C1FD0000000",
    ".asc": "0.{n:02d}0000 1  7E8             Rx   d 8 04 41 0C 1F D0 00 00 00",
    ".trc": "{n:>7} {n}0.000 DT  1      07E8 Rx -  8    04 41 0C 1F D0 00 00 00",
    ".csv": "1700000000.{n:02d}0000,0x7e8,0,0,0,8,BEEMH9AAAAA=",
}
HEAD = {
    ".log": [],
    ".asc": [
        "date Tue Nov 14 10:13:20 pm 2023",
        "base hex  timestamps absolute",
        "internal events logged",
        "Begin Triggerblock Tue Nov 14 10:13:20 pm 2023",
        "0.000000 Start of measurement",
    ],
    ".trc": [
        ";$FILEVERSION=2.1",
        ";$STARTTIME=45244.92592592593",
        ";$COLUMNS=N,O,T,B,I,d,R,L,D",
        ";",
    ],
    ".csv": ["timestamp,arbitration_id,extended,remote,error,dlc,data"],
}
BROKEN = [
    (".log", "(1700000000.5) can0 7E8#04410C1FZZ000000"),
    (".log", "(1700000000.5) can0 7E8"),
    (".log", "(1700000000.5) can0 7E8#04410"),
    (".log", "(1700000000.5) can0 8E8#04410C"),
    (".log", "(1700000000.5) can0 FFFFFFFF#04410C"),
    (".log", "(1700000000.5) can0 7E8#04410C1FD000000000"),
    (".log", "(nan) can0 7E8#04410C1FD0000000"),
    (".log", "(1e400) can0 7E8#04410C1FD0000000"),
    (".log", "(999999999999.0) can0 7E8#04410C1FD0000000"),
    (".log", "(-1.0) can0 7E8#04410C1FD0000000"),
    (".log", "(1700000000.5) can0 7E8#04410C\x1b[2J"),
    (".log", "(1700000000.5) can0 7E8##1ZZ"),
    (".log", "x" * 100_000),
    (".log", "(1700000000.5) can0 \u0664\u0664#04"),
    (".asc", "0.500000 1  7E8             Rx   d 8 04 41 0C 1F ZZ 00 00 00"),
    (".asc", "0.500000 1  7E8             Rx   d 8 04 41"),
    (".asc", "0.500000 1  7E8             Rx   d"),
    (".asc", "0.500000 1  7E8"),
    (".asc", "0.500000 1  FFFFFFFFFx      Rx   d 1 04"),
    (".asc", "0.500000 CANFD   1 Rx 7E8"),
    (".asc", "lorem ipsum"),
    (".asc", "Begin Triggerblock Foo no such date"),
    (".asc", "99999999999999999999.0 1  7E8 Rx   d 1 04"),
    (".trc", "      5 5.000 DT  1      07E8 Rx -  8    04 41 0C 1F ZZ 00 00 00"),
    (".trc", "      5 5.000 DT  1      07E8 Rx -  8    04 41"),
    (".trc", "      5 5.000"),
    (".trc", "      5 1e400 DT  1      07E8 Rx -  1    04"),
    (".trc", "lorem ipsum"),
    (".csv", "1700000000.5,0x7e8,0,0,0,8"),
    (".csv", "1700000000.5,0xXYZ,0,0,0,8,BEEMH9AAAAA="),
    (".csv", "nan,0x7e8,0,0,0,8,BEEMH9AAAAA="),
    (".csv", "1700000000.5,0x7e8,0,0,0,999,BEEMH9AAAAA="),
    (".csv", "1700000000.5,0xffffffff,1,0,0,8,BEEMH9AAAAA="),
    (".csv", "a" * 70_000),
]


def write(path: Path, suffix: str, broken: str) -> tuple[Path, int]:
    """Write three frames, the broken line, three frames; return its number too."""
    good = [GOOD[suffix].format(n=n) for n in range(1, 7)]
    lines = [*HEAD[suffix], *good[:3], broken, *good[3:]]
    target = path / f"capture{suffix}"
    target.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return target, len(HEAD[suffix]) + 4


@pytest.mark.parametrize("suffix", GOOD)
def test_python_can_itself_ends_at_a_broken_line(tmp_path, suffix) -> None:
    broken = next(line for kind, line in BROKEN if kind == suffix)
    path, _ = write(tmp_path, suffix, broken)
    seen = 0
    with can.LogReader(path) as log, contextlib.suppress(ValueError):
        for _message in log:
            seen += 1
    assert seen == 3


@pytest.mark.parametrize(("suffix", "broken"), BROKEN, ids=lambda t: t[:40])
def test_the_rest_is_read(tmp_path, suffix, broken) -> None:
    path, number = write(tmp_path, suffix, broken)
    capture = read_capture(path)
    assert capture.tally.frames == 6
    assert capture.tally.skipped == 1
    (line,) = capture.tally.skipped_lines
    assert line.number == number
    assert line.reason.isprintable()
    assert len(line.reason) <= 160
    assert [f.data.hex() for f in capture.store.frames()] == ["04410c1fd0000000"] * 6


@pytest.mark.parametrize("suffix", GOOD)
def test_several_broken_lines_each_have_their_number(tmp_path, suffix) -> None:
    broken = [line for kind, line in BROKEN if kind == suffix]
    lines = list(HEAD[suffix])
    numbers = []
    for line in broken:
        lines.append(GOOD[suffix].format(n=len(lines)))
        lines.append(line)
        numbers.append(len(lines))
    path = tmp_path / f"capture{suffix}"
    path.write_text("\r\n".join(lines) + "\r\n", encoding="utf-8", newline="")
    tally = read_capture(path).tally
    assert [line.number for line in tally.skipped_lines] == numbers
    assert tally.frames == len(broken)


@pytest.mark.parametrize(
    ("suffix", "place", "head", "told"),
    [
        (".trc", 1, ";$STARTTIME=1e308", True),
        (".trc", 1, ";$STARTTIME=soon", True),
        (".asc", 0, "date Foo no such date", True),
        (".asc", 1, "base oct timestamps absolute", False),
        (".asc", 3, "Begin Triggerblock Foo no such date", True),
    ],
)
def test_a_broken_line_of_the_head_costs_only_itself(tmp_path, suffix, place, head, told) -> None:
    lines = [*HEAD[suffix], *[GOOD[suffix].format(n=n) for n in range(1, 7)]]
    lines[place] = head
    path = tmp_path / f"capture{suffix}"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    tally = read_capture(path).tally
    assert tally.frames == 6
    assert [line.number for line in tally.skipped_lines] == [place + 1] * told


@pytest.mark.parametrize("suffix", GOOD)
def test_a_file_of_broken_lines_is_no_capture(tmp_path, suffix) -> None:
    path = tmp_path / f"capture{suffix}"
    path.write_text("\n".join([*HEAD[suffix], *["lorem, ipsum dolor"] * 5000]), encoding="utf-8")
    with pytest.raises(InputFileError, match=r"broken lines|holds nothing"):
        read_capture(path)
