"""The in-process link: simulated time, options, one car for several links."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from obdlog.clock import ManualClock, SystemClock
from obdlog.errors import LinkClosedError, LinkOpenError, OpenFailure
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.link import SimLink

from .conftest import Terminal

Plug = Callable[..., Terminal]


def test_waiting_moves_the_clock_and_nothing_else() -> None:
    link = SimLink("healthy-petrol")
    assert isinstance(link.clock, ManualClock)
    assert link.read(2.5) == b""
    assert link.clock.now_s() == 2.5
    link.write(b"ATI\r")
    assert link.clock.now_s() == 2.5
    assert link.read(5.0) == b"ATI\r"
    assert 2.5 < link.clock.now_s() < 2.6
    assert link.read(5.0) == b"ELM327-style v1.5\r"


def test_real_pace_uses_the_system_clock() -> None:
    link = SimLink("healthy-petrol", pace="real")
    assert isinstance(link.clock, SystemClock)
    link.write(b"ATI\r")
    assert link.read(1.0).startswith(b"ATI")


def test_closed_link(plug_in: Plug) -> None:
    link = plug_in().link
    link.close()
    link.close()
    with pytest.raises(LinkClosedError):
        link.read(0.0)
    with pytest.raises(LinkClosedError):
        link.write(b"\r")


def test_unknown_names_and_options() -> None:
    with pytest.raises(LinkOpenError) as error:
        SimLink("no-such-car")
    assert error.value.reason is OpenFailure.BAD_URL
    with pytest.raises(LinkOpenError):
        SimLink("healthy-petrol", personality="angel")
    with pytest.raises(LinkOpenError):
        SimLink("healthy-petrol", drive="moon")
    with pytest.raises(ValueError, match="colour"):
        SimLink("healthy-petrol", colour="red")
    with pytest.raises(ValueError, match="pace"):
        SimLink("healthy-petrol", pace="fast")
    with pytest.raises(ValueError, match="cleared"):
        SimLink("healthy-petrol", cleared="perhaps")


def test_scenario_names_its_adapter(plug_in: Plug) -> None:
    assert b"v2.1" in plug_in("counterfeit").ask("ATI")
    assert b"v1.5" in plug_in("counterfeit", personality="plain").ask("ATI")


def test_drive_option_starts_the_engine(plug_in: Plug) -> None:
    terminal = plug_in("airbox-repair", drive="road-test", cleared="1", start_s="5").ready()
    assert terminal.lines("03")[0] == "43 00"
    assert terminal.lines("010C1") == ["41 0C 00 00"]
    terminal.link.read(10.0)
    assert int(terminal.lines("010C1")[0].replace(" ", "")[4:], 16) / 4 > 500


def test_one_car_outlives_its_links(plug_in: Plug) -> None:
    car = SimulatedCar("airbox-repair", 1, ManualClock())
    first = plug_in(car=car).ready()
    assert first.lines("04") == ["44", "44"]
    first.link.close()
    second = plug_in(car=car).ready()
    assert second.lines("03") == ["43 00", "43 00"]
    car.drive("road-test")
    second.link.read(20.0)
    assert second.link.clock is car.clock
    assert car.state.rpm > 500


def test_same_seed_same_bytes(plug_in: Plug) -> None:
    def talk(seed: int) -> bytes:
        terminal = plug_in("healthy-petrol", drive="road-test", seed=seed).ready()
        terminal.link.read(60.0)
        return b"".join(terminal.ask("010C0D10110504") for _ in range(50))

    assert talk(1) == talk(1)
    assert talk(1) != talk(2)
