"""Finding the speed of a serial adapter, and whether there is one."""

from __future__ import annotations

import sys
import threading
from types import SimpleNamespace

import pytest

from obdlog.clock import Clock, ManualClock
from obdlog.errors import LinkClosedError, LinkError, LinkOpenError, OpenFailure
from obdlog.links.probe import identity_of, plain, probe
from obdlog.links.registry import open_link
from obdlog.links.serial_port import list_ports
from obdlog.links.speed import NUDGE, SPEEDS, find_speed, looks_like_adapter
from tests.contracts.far_ends import PtyEnd


@pytest.mark.parametrize(
    ("heard", "is_adapter"),
    [
        (b"TEST100 v1.5\r\r>", True),
        (b"ATI\rTEST100 v1.5\r\n\r\n>", True),
        (b"?\r\r>", True),
        (b"STOPPED\r\r>", True),
        (b"\x00TEST\x00100\r\r>", True),
        (b"\r>", True),
        (b">", True),
        (b"> \r\n", True),
        (b"", False),
        (b"TEST100 v1.5\r", False),
        (b"login: ", False),
        (b"\xfe\x80\x3c>", False),
        (b"\x01\x02>", False),
        (b"\x1b[2J>", False),
        (b"> TEST", False),
        (b"$GPGGA,123519,4807.038,N\r\n", False),
        (b"x" * 5000 + b">", False),
    ],
)
def test_readable_text_up_to_a_prompt_is_an_adapter(heard: bytes, is_adapter: bool) -> None:
    assert looks_like_adapter(heard) is is_adapter


class SpeedyLink:
    """An adapter that talks at one speed and gives noise at all others."""

    url = "fake://"

    def __init__(
        self,
        speed: int | None,
        noise: bytes = b"\xf8\x00\x78",
        refused: tuple[int, ...] = (),
        first: bytes = b"",
    ) -> None:
        self.time = ManualClock()
        self.clock: Clock = self.time
        self.asked: list[tuple[int, bytes]] = []
        self._speed, self._noise, self._refused, self._first = speed, noise, refused, first
        self._baud = 0
        self._out = b""

    def set_baud(self, baud: int) -> None:
        if baud in self._refused:
            raise LinkError("does not take it")
        self._baud = baud

    def write(self, data: bytes) -> None:
        self.asked.append((self._baud, data))
        if self._baud != self._speed:
            self._out += self._noise
        elif self._first:
            self._out, self._first = self._out + self._first, b""
        else:
            self._out += b"TEST100 v1.5\r\r>"

    def read(self, timeout_s: float) -> bytes:
        self.time.sleep_s(0.001 if self._out else timeout_s)
        out, self._out = self._out, b""
        return out

    def close(self) -> None:
        pass


@pytest.mark.parametrize("speed", SPEEDS)
def test_every_speed_is_found(speed: int) -> None:
    link = SpeedyLink(speed)
    assert find_speed(link) == speed
    assert link.time.now_s() < 10
    assert {data for _, data in link.asked} == {NUDGE}
    assert [baud for baud, _ in link.asked][-1] == speed


@pytest.mark.parametrize("noise", [b"", b"\xff", b"endless text ", b"\x00" * 100])
def test_no_adapter_is_none_in_bounded_time(noise: bytes) -> None:
    link = SpeedyLink(None, noise)
    assert find_speed(link) is None
    assert link.time.now_s() < 10
    assert len(link.asked) <= 2 * len(SPEEDS)


def test_the_usual_speeds_are_asked_in_the_stated_order() -> None:
    link = SpeedyLink(None)
    find_speed(link)
    assert list(dict.fromkeys(baud for baud, _ in link.asked)) == [
        38400, 115200, 9600, 57600, 230400, 500000,
    ]  # fmt: skip


def test_a_speed_the_port_does_not_take_is_passed_over() -> None:
    assert find_speed(SpeedyLink(9600, refused=(38400, 115200))) == 9600


def test_an_unfinished_line_before_costs_only_a_second_question() -> None:
    link = SpeedyLink(38400, first=b"7E8 03 41")
    assert find_speed(link) == 38400
    assert len(link.asked) == 2


def test_probing_tells_the_identity() -> None:
    link = SpeedyLink(0)
    result = probe(link)
    assert (result.answers, result.identity) == (True, "TEST100 v1.5")
    assert not probe(SpeedyLink(None)).answers


@pytest.mark.parametrize(
    ("heard", "identity"),
    [
        (b"ATI\rTEST100 v1.5\r\r>", "TEST100 v1.5"),
        (b"?\r\r>", ""),
        (b"STOPPED\r\r>", ""),
        (b"\x1b[2Jodd\r>", "[2Jodd"),
        (b"x" * 500 + b">", "x" * 80),
    ],
)
def test_the_identity_is_one_bounded_printable_line(heard: bytes, identity: str) -> None:
    assert identity_of(heard) == identity


def test_a_missing_description_is_empty() -> None:
    assert plain(None) == ""
    assert plain("n/a") == ""


def test_ports_are_listed_in_order_without_opening_them(monkeypatch: pytest.MonkeyPatch) -> None:
    found = [
        SimpleNamespace(device="COM7", description="n/a", manufacturer=None, vid=None, pid=None),
        SimpleNamespace(
            device="COM5", description="a \x1bport", manufacturer="m", vid=0x12, pid=0xAB
        ),
    ]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: found)
    ports = list_ports()
    assert [(p.device, p.description, p.maker, p.usb_id) for p in ports] == [
        ("COM5", "a port", "m", "0012:00AB"),
        ("COM7", "", "", ""),
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
class TestOnAPort:
    def test_the_search_leaves_an_open_link(self) -> None:
        far = PtyEnd(query="")

        def answer() -> None:
            assert far.receive(len(NUDGE)) == NUDGE
            far.send(b"TEST100 v1.5\r\r>")

        thread = threading.Thread(target=answer, daemon=True)
        thread.start()
        link = open_link(far.url)
        thread.join(5.0)
        far.send(b"OK")
        assert link.read(2.0) == b"OK"
        link.close()
        far.close()

    def test_nobody_there_is_said_and_the_port_is_free_again(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("obdlog.links.speed.PER_SPEED_S", 0.02)
        far = PtyEnd(query="")
        for _ in range(2):
            with pytest.raises(LinkOpenError, match="no adapter answers") as caught:
                open_link(far.url)
            assert caught.value.reason is OpenFailure.NOT_AN_ADAPTER
        far.close()

    def test_one_that_is_unplugged_meanwhile_is_said(self) -> None:
        far = PtyEnd(query="")

        def unplug() -> None:
            far.receive(len(NUDGE))
            far.hang_up()

        thread = threading.Thread(target=unplug, daemon=True)
        thread.start()
        with pytest.raises(LinkClosedError):
            open_link(far.url)
        thread.join(5.0)
