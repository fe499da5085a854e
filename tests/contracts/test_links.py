"""What every link must do, whatever it is made of."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

from obdlog.errors import LinkClosedError
from obdlog.links.base import Link
from obdlog.links.registry import open_link
from obdlog.links.spy import WireLog
from tests.contracts.far_ends import FarEnd, LowEnergyEnd, PtyEnd, Rfc2217End, SocketEnd

FAR_ENDS: dict[str, type[PtyEnd | SocketEnd | Rfc2217End | LowEnergyEnd]] = {
    "socket": SocketEnd,
    "rfc2217": Rfc2217End,
    "ble": LowEnergyEnd,
}
if sys.platform != "win32":
    FAR_ENDS["serial"] = PtyEnd


LONG_S = 60.0
"""Longer than any answer takes: a read that uses it up did not return when it should."""


@pytest.fixture(params=[*FAR_ENDS, "spy"])
def pair(request: pytest.FixtureRequest) -> Iterator[tuple[Link, FarEnd]]:
    far: FarEnd = FAR_ENDS.get(request.param, SocketEnd)()
    try:
        link = open_link(far.url)
        far.accept()
        try:
            yield (WireLog(link) if request.param == "spy" else link), far
        finally:
            link.close()
    finally:
        far.close()


def read_all(link: Link, count: int) -> bytes:
    data = b""
    while len(data) < count and (got := link.read(2.0)):
        data += got
    return data


class TestBytes:
    def test_all_values_pass_unchanged_both_ways(self, pair: tuple[Link, FarEnd]) -> None:
        link, far = pair
        everything = bytes(range(256))
        link.write(everything)
        assert far.receive(256) == everything
        far.send(everything)
        assert read_all(link, 256) == everything

    def test_a_burst_comes_whole(self, pair: tuple[Link, FarEnd]) -> None:
        link, far = pair
        burst = b"7E8 06 41 00 BE 3E A8 13\r" * 120
        far.send(burst)
        assert read_all(link, len(burst)) == burst


class TestWaiting:
    def test_read_returns_as_soon_as_something_is_there(self, pair: tuple[Link, FarEnd]) -> None:
        link, far = pair
        far.send(b"41")
        began_s = link.clock.now_s()
        assert link.read(LONG_S)
        assert link.clock.now_s() - began_s < LONG_S

    @pytest.mark.parametrize("timeout_s", [0.0, 0.1])
    def test_silence_is_empty_after_the_time_given(
        self, pair: tuple[Link, FarEnd], timeout_s: float
    ) -> None:
        link, _ = pair
        began_s = link.clock.now_s()
        assert link.read(timeout_s) == b""
        assert timeout_s - 0.01 <= link.clock.now_s() - began_s < LONG_S

    def test_what_has_arrived_is_there_without_waiting(self, pair: tuple[Link, FarEnd]) -> None:
        link, far = pair
        far.send(b">")
        assert link.read(2.0) == b">"
        assert link.read(0.0) == b""


class TestTheEnd:
    def test_a_far_end_that_goes_away_is_a_closed_link(self, pair: tuple[Link, FarEnd]) -> None:
        link, far = pair
        far.hang_up()
        began_s = link.clock.now_s()
        with pytest.raises(LinkClosedError, match="lost the connection") as caught:
            link.read(LONG_S)
        assert link.clock.now_s() - began_s < LONG_S
        assert caught.value.hint
        with pytest.raises(LinkClosedError):
            link.read(0.1)
        with pytest.raises(LinkClosedError):
            link.write(b"0100\r")

    def test_a_closed_link_says_so_and_closes_again(self, pair: tuple[Link, FarEnd]) -> None:
        link, _ = pair
        link.close()
        link.close()
        with pytest.raises(LinkClosedError):
            link.read(0.0)
        with pytest.raises(LinkClosedError):
            link.write(b"0100\r")


def test_the_speed_can_be_set_or_does_not_matter(pair: tuple[Link, FarEnd]) -> None:
    link, far = pair
    link.set_baud(57600)
    link.write(b"ATI\r")
    assert far.receive(4) == b"ATI\r"
    assert link.url


class TestSimulated:
    """The simulated adapter is its own far end, so it gets the part that needs none."""

    @pytest.fixture
    def link(self) -> Iterator[Link]:
        simulator = pytest.importorskip("obdlog.simulator.link")
        scenarios = pytest.importorskip("obdlog.simulator").scenarios()
        assert simulator
        link = open_link(f"sim://{next(iter(scenarios))}?seed=1")
        yield link
        link.close()

    def test_it_answers_with_a_prompt(self, link: Link) -> None:
        link.write(b"ATI\r")
        heard = b""
        while not heard.endswith(b">") and (got := link.read(5.0)):
            heard += got
        assert heard.endswith(b">")

    def test_silence_takes_the_time_given_in_its_own_time(self, link: Link) -> None:
        began_s = link.clock.now_s()
        assert link.read(1.5) == b""
        assert link.clock.now_s() - began_s == pytest.approx(1.5, abs=0.01)

    def test_a_closed_link_says_so(self, link: Link) -> None:
        link.close()
        link.close()
        with pytest.raises(LinkClosedError):
            link.read(0.0)
        with pytest.raises(LinkClosedError):
            link.write(b"ATI\r")
