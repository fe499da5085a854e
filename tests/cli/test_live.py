"""What a terminal shows while signals come in, at the sizes that terminals have."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from typing import Any

import pytest

from obdlog.cli.commands import watch
from obdlog.cli.commands.record import ROAD_CAUTION, progress_line
from obdlog.cli.live import STOP, screen_lines
from obdlog.cli.options import Units
from obdlog.clock import ManualClock
from obdlog.model import Reading
from obdlog.recorder import Progress
from obdlog.tables.signals import all_signals

INTERRUPTED = 130


def progress_of(count: int, modules: tuple[str, ...] = ("7E8",)) -> Progress:
    """Return a progress with `count` numbers, among them temperature and voltage, last."""
    numbers = [s for s in all_signals() if s.codec == "number" and s.pid > 0x02]
    wanted = [s for s in numbers if s.name not in ("ECT", "VPWR")][: count - 2]
    wanted += [s for s in numbers if s.name in ("ECT", "VPWR")]
    latest = {
        (module, s.name): (3.0, Reading(s.name, s.label, 12.5, s.unit, f"{s.pid:02X}"))
        for s in wanted
        for module in modules
    }
    return Progress(seconds=5.0, exchanges=100, readings=500, latest=latest)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (40, 24), (200, 12), (80, 8)])
@pytest.mark.parametrize("count", [2, 10, 90])
def test_it_fits_and_safety_comes_first(size: tuple[int, int], count: int) -> None:
    width, height = size
    lines = screen_lines(
        progress_of(count), Units.METRIC, width=width, height=height, caution=ROAD_CAUTION
    )
    assert len(lines) <= height
    assert max(map(len, lines)) <= width
    text = " ".join(lines)
    assert text.startswith(ROAD_CAUTION)
    assert STOP in text
    assert "Engine coolant" in text


@pytest.mark.parametrize(("size", "count"), [((80, 24), 40), ((120, 40), 90)])
def test_what_has_no_room_is_counted(size: tuple[int, int], count: int) -> None:
    width, height = size
    lines = screen_lines(
        progress_of(count), Units.METRIC, width=width, height=height, caution=ROAD_CAUTION
    )
    shown = sum(line.count("2.0 s") for line in lines)
    assert lines[-1] == f"{count - shown} more: name them with --signal"
    assert len(lines) == height


def test_a_wide_terminal_shows_two_columns_and_all_of_them() -> None:
    lines = screen_lines(progress_of(50), Units.METRIC, width=120, height=40, caution=ROAD_CAUTION)
    assert sum(line.count("2.0 s") for line in lines) == 50
    assert "more" not in lines[-1]


def test_temperature_and_voltage_stand_near_the_top_unless_the_user_named_an_order() -> None:
    options: dict[str, Any] = {"width": 80, "height": 24, "caution": ROAD_CAUTION}
    ours = screen_lines(progress_of(60), Units.METRIC, **options)
    assert any("supply voltage" in line for line in ours[4:9])
    assert any("coolant" in line for line in ours[4:9])
    named = screen_lines(progress_of(15), Units.METRIC, as_named=True, **options)
    assert "supply voltage" in named[-1]


def test_modules_are_told_apart_where_several_answer() -> None:
    lines = screen_lines(
        progress_of(4, ("7E8", "7E9")), Units.METRIC, width=80, height=24, caution=ROAD_CAUTION
    )
    narrow = screen_lines(
        progress_of(4, ("7E8", "7E9")), Units.METRIC, width=40, height=24, caution=ROAD_CAUTION
    )
    assert sum("(7E8)" in line for line in narrow) == sum("(7E9)" in line for line in narrow) == 4
    assert sum("(7E8)" in line for line in lines) == sum("(7E9)" in line for line in lines) == 4


@pytest.mark.parametrize("columns", [20, 80, 200])
def test_the_progress_line_of_a_log_fits(columns: int) -> None:
    line = progress_line(Progress(seconds=36_000.0, readings=12_345_678, lost=99_999), columns)
    assert len(line) < columns
    if columns >= 80:
        assert line.endswith("Ctrl-C ends the log")


def test_a_shorter_progress_line_leaves_nothing_of_a_longer_one(monkeypatch, capsys) -> None:
    from obdlog.cli.commands.record import _Shower

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    shower = _Shower()
    for progress in (Progress(1.0, readings=1000), Progress(3.0, readings=100)):
        shower.show(progress)
    _, first, second = capsys.readouterr().err.split("\r")
    assert len(second) == len(first)
    assert second.rstrip().endswith("ends the log")


class Screen:
    """A terminal of 80 by 24 that counts pictures."""

    is_terminal, is_dumb_terminal, width, height = True, False, 80, 24


def test_five_pictures_a_second_at_most(monkeypatch) -> None:
    pictures: list[str] = []

    class Live:
        def __init__(self, **options: Any) -> None:
            assert options["screen"]

        def __enter__(self) -> Live:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def update(self, text: Any, **_: object) -> None:
            pictures.append(str(text))

    monkeypatch.setattr("rich.live.Live", Live)
    monkeypatch.setattr("obdlog.cli.screen.console", Screen)
    clock = ManualClock()
    progress = progress_of(10)
    with watch._live(Units.METRIC, as_named=False, clock=clock) as draw:
        for _ in range(1000):  # ten seconds, a hundred exchanges a second
            draw(progress)
            clock.sleep_s(0.01)
    assert 40 <= len(pictures) <= 51


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals of POSIX")
def test_watch_on_a_terminal_is_left_as_it_was_with_130(driving_car: str) -> None:
    import pty

    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"}
    process = subprocess.Popen(
        [sys.executable, "-m", "obdlog", "watch", "--link", driving_car],
        stdout=theirs,
        stderr=subprocess.DEVNULL,
        env=environment,
    )
    os.close(theirs)
    watchdog = threading.Timer(60, process.kill)
    watchdog.start()
    seen = b""
    try:
        while b"Engine speed" not in seen:
            seen += os.read(ours, 65536)
        process.send_signal(signal.SIGINT)
        while b"\x1b[?1049l" not in seen:
            seen += os.read(ours, 65536)
        with open(ours, "rb", buffering=0, closefd=True) as rest:  # noqa: PTH123
            try:
                while rest.read(65536):
                    pass
            except OSError:  # the other end is closed
                pass
        assert process.wait(timeout=30) == INTERRUPTED
    finally:
        watchdog.cancel()
    assert seen.index(b"\x1b[?1049h") < seen.index(b"Road test: legal roads only")
    assert STOP.encode() in seen
