"""A person drives a served car by words; the driver does a key cycle by himself."""

from __future__ import annotations

import io
import os
import threading

import pytest

from obdlog.clock import ManualClock
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.driver import Driver, at_terminal, obey

ERASE = b"\x14\xff\xff\xff"


@pytest.fixture
def car() -> SimulatedCar:
    return SimulatedCar("airbox-repair", clock=ManualClock())


@pytest.mark.parametrize(
    ("line", "said", "awake"),
    [
        ("off", "off", False),
        ("  ON ", "on", True),
        ("start", "started", True),
        ("drive idle", "follows idle", True),
        ("key-cycle", "is on again", True),
        ("drive nowhere", "no drive", True),
        ("drive", "knows these words", True),
        ("off now", "knows these words", True),
        ("\x1b[2J", "knows these words", True),
    ],
)
def test_words(car: SimulatedCar, line: str, said: str, awake: bool) -> None:
    assert said in obey(car, line)
    assert car.awake is awake


def test_start_runs_the_engine(car: SimulatedCar) -> None:
    obey(car, "start")
    car.clock.sleep_s(3.0)
    assert car.state.running


def test_lines_of_a_pipe_are_obeyed_where_the_car_is_served(car: SimulatedCar) -> None:
    told: list[str] = []
    driver = Driver(told.append)
    end, begin = os.pipe()
    os.write(begin, b"off\n\nkey-" + b"cycle\non")
    os.close(begin)
    with os.fdopen(end) as stream:
        driver.listen(stream)
        for thread in threading.enumerate():
            if thread.daemon and thread is not threading.current_thread():
                thread.join(5.0)
    assert told == []
    driver.attend(car)
    assert [text.split()[2] for text in told] == ["is", "was", "is"]
    assert car.awake


def test_far_too_much_is_dropped(car: SimulatedCar) -> None:
    told: list[str] = []
    driver = Driver(told.append)
    for _ in range(10_000):
        driver.take("on" + " " * 1000)
    driver.attend(car)
    assert 0 < len(told) <= 100


def test_a_file_is_no_terminal(tmp_path) -> None:
    path = tmp_path / "lines"
    path.write_text("off\n", encoding="utf-8")
    with path.open(encoding="utf-8") as stream:
        assert not at_terminal(stream)
    assert not at_terminal(io.StringIO("off\n"))


class TestAfterAnErase:
    def erase(self, car: SimulatedCar, target: int, payload: bytes = ERASE) -> int:
        (answer,) = car.answers(payload, target, car.clock.now_s())
        return answer.payload[0]

    def test_the_engine_waits_for_the_last_erase(self) -> None:
        car = SimulatedCar("airbox-repair", clock=ManualClock(), start_after_clear_s=5.0)
        assert self.erase(car, 0x7E0, b"\x04") == 0x44
        car.clock.sleep_s(4.0)
        assert self.erase(car, 0x7B0) == 0x54
        car.clock.sleep_s(4.0)
        assert self.erase(car, 0x737) == 0x54
        car.clock.sleep_s(4.5)
        assert not car.state.running
        car.clock.sleep_s(2.5)
        assert car.state.running

    def test_the_engine_waits_while_a_module_is_read_back(self) -> None:
        car = SimulatedCar("airbox-repair", clock=ManualClock(), start_after_clear_s=5.0)
        self.erase(car, 0x7B0)
        for _ in range(5):
            car.clock.sleep_s(4.0)
            car.answers(b"\x19\x02\xaf", 0x7B0, car.clock.now_s())
        assert not car.state.running
        car.clock.sleep_s(7.0)
        assert car.state.running

    def test_a_running_engine_refuses(self) -> None:
        car = SimulatedCar("airbox-repair", clock=ManualClock())
        obey(car, "start")
        car.clock.sleep_s(3.0)
        (answer,) = car.answers(ERASE, 0x7B0, car.clock.now_s())
        assert answer.payload == b"\x7f\x14\x22"

    def test_the_driver_turns_the_key_before_he_starts(self) -> None:
        car = SimulatedCar(
            "airbox-repair",
            clock=ManualClock(),
            start_after_clear_s=5.0,
            key_cycle_after_erase_s=3.0,
        )
        assert self.erase(car, 0x7B0) == 0x54
        before_s = car.state.time_s
        car.clock.sleep_s(2.5)
        (lit,) = car.answers(b"\x19\x02\xff", 0x7B0, car.clock.now_s())
        assert any(status & 0x80 for status in lit.payload[6::4])
        car.clock.sleep_s(3.5)
        assert car.state.time_s - before_s == pytest.approx(36.0, abs=0.3)
        assert car.awake
        assert not car.state.running
        car.clock.sleep_s(6.0)
        assert car.state.running
        (dark,) = car.answers(b"\x19\x02\xff", 0x7B0, car.clock.now_s())
        assert not any(status & 0x80 for status in dark.payload[6::4])

    def test_turning_the_key_by_hand_drops_the_plan(self) -> None:
        car = SimulatedCar("airbox-repair", clock=ManualClock(), start_after_clear_s=5.0)
        self.erase(car, 0x7B0)
        obey(car, "key-cycle")
        car.clock.sleep_s(30.0)
        assert not car.state.running
