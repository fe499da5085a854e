"""What every transport must do, whatever road it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from obdlog.errors import LinkError, NoAnswerError, RefusedError
from obdlog.model import Outcome, Request
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.transport.adapter_link import AdapterTransport
from obdlog.transport.base import BusProtocol, Transport
from obdlog.transport.playback import PlaybackTransport
from obdlog.transport.recording import RecordingTransport
from obdlog.transport.registry import open_transport
from tests.transport.can_units import CLASSIC, FarEnd, Say, Unit
from tests.transport.fake_adapter import FakeAdapter, Script, said

CAR: dict[str, Script] = {
    "010C": said("7E804410C1AF8", "7E904410C1AF9"),
    "0902": said("7E8037F0912"),
    "04": said("7E80144", "7E90144"),
}
SILENT: dict[str, Script] = {"0100": said("UNABLE TO CONNECT")}
RPM = Request(b"\x01\x0c", purpose="poll")


def adapter(path: Path, script: dict[str, Script] = CAR) -> Transport:
    return AdapterTransport(FakeAdapter(script))


def recording(path: Path, script: dict[str, Script] = CAR) -> Transport:
    fake = FakeAdapter(script)
    writer = SessionWriter(path / "r.session.jsonl", SessionHeader(version=1), fake.clock)
    return RecordingTransport(AdapterTransport(fake), writer)


def playback(path: Path, script: dict[str, Script] = CAR) -> Transport:
    file = path / "p.session.jsonl"
    fake = FakeAdapter(script)
    with SessionWriter(file, SessionHeader(version=1), fake.clock) as writer:
        transport = RecordingTransport(AdapterTransport(fake), writer)
        try:
            transport.connect()
        except NoAnswerError:
            return PlaybackTransport(file)
        for payload in (b"\x01\x00", b"\x01\x0c", b"\x01\x0c", b"\x09\x02"):
            transport.exchange(Request(payload))
        transport.voltage_v()
    return PlaybackTransport(file)


def simulated(path: Path) -> Transport:
    return open_transport("sim://healthy-petrol?seed=1")


_far_ends: list[FarEnd] = []


def direct_can(path: Path, script: dict[str, Script] = CAR) -> Transport:
    table: dict[str, Say | list[Say]] = {"0100": CLASSIC, "04": "44"}
    engine = {**table, "010C": "410C1AF8", "0902": "7F0912"}
    units = (
        Unit(0x7E0, 0x7E8, engine, functional=True),
        Unit(0x7E1, 0x7E9, {**table, "010C": "410C1AF9"}, functional=True),
    )
    far = FarEnd(*(units if script is CAR else ()))
    _far_ends.append(far)
    far.__enter__()
    return open_transport(far.url)


@pytest.fixture(autouse=True)
def no_far_end_outlives_its_test() -> Iterator[None]:
    yield
    while _far_ends:
        _far_ends.pop().__exit__()


Make = Callable[..., Transport]
every_transport = pytest.mark.parametrize(
    "make", [adapter, recording, playback, simulated, direct_can]
)


@every_transport
class TestTransport:
    def test_connecting_tells_the_protocol(self, make: Make, tmp_path: Path) -> None:
        transport = make(tmp_path)
        protocol = transport.connect()
        assert isinstance(protocol, BusProtocol)
        assert transport.protocol == protocol
        assert transport.kind in {"adapter", "can", "playback"}
        assert transport.url
        transport.close()

    def test_each_module_answers_under_its_own_address(self, make: Make, tmp_path: Path) -> None:
        transport = make(tmp_path)
        transport.connect()
        exchange = transport.exchange(RPM)
        assert exchange.request == RPM
        assert exchange.outcome is Outcome.ANSWERED
        assert [m.source for m in exchange.positive()] == ["7E8", "7E9"]
        assert all(m.payload[:2] == b"\x41\x0c" for m in exchange.messages)
        assert all(0 <= m.after_s < 1 for m in exchange.messages)

    def test_time_moves_on_and_never_back(self, make: Make, tmp_path: Path) -> None:
        transport = make(tmp_path)
        transport.connect()
        times: list[float] = []
        for _ in range(5):
            times.append(transport.exchange(RPM).at_s)
            times.append(transport.clock.now_s())
        assert times == sorted(times)
        assert len(set(times)) > 5

    def test_what_the_car_does_not_have_is_an_outcome(self, make: Make, tmp_path: Path) -> None:
        transport = make(tmp_path)
        transport.connect()
        exchange = transport.exchange(Request(b"\x01\x5f"))
        assert exchange.outcome is Outcome.NO_DATA
        assert exchange.messages == ()

    def test_an_erase_goes_out_once_or_not_at_all(self, make: Make, tmp_path: Path) -> None:
        transport = make(tmp_path)
        transport.connect()
        if transport.kind == "playback":
            with pytest.raises(RefusedError):
                transport.exchange(Request(b"\x04"))
            return
        exchange = transport.exchange(Request(b"\x04", purpose="erase"))
        assert [m.payload for m in exchange.positive()] == [b"\x44", b"\x44"]

    def test_adapter_facts(self, make: Make, tmp_path: Path) -> None:
        transport = make(tmp_path)
        transport.connect()
        assert isinstance(transport.identity, str)
        voltage = transport.voltage_v()
        if transport.kind == "can":  # no interface measures it
            assert voltage is None
            transport.close()
            return
        assert voltage is not None
        assert 6 < voltage < 16

    def test_closing_twice_is_harmless(self, make: Make, tmp_path: Path) -> None:
        transport = make(tmp_path)
        transport.connect()
        transport.close()
        transport.close()
        assert transport.protocol is not None


@pytest.mark.parametrize("make", [adapter, recording, playback, direct_can])
def test_a_car_that_does_not_answer_is_said(make: Make, tmp_path: Path) -> None:
    transport = make(tmp_path, SILENT)
    with pytest.raises(NoAnswerError) as caught:
        transport.connect()
    assert caught.value.hint
    assert transport.protocol is None
    transport.close()


@pytest.mark.parametrize("make", [adapter, recording, simulated, direct_can])
def test_a_closed_road_says_so(make: Make, tmp_path: Path) -> None:
    transport = make(tmp_path)
    transport.connect()
    transport.close()
    with pytest.raises(LinkError):
        transport.exchange(RPM)
