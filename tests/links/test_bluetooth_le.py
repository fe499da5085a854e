"""Bluetooth LE against a device behind bleak's own boundary: no radio, no waiting."""

from __future__ import annotations

import itertools
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.errors import LinkClosedError, LinkOpenError, LinkTimeoutError, OpenFailure
from obdlog.links import bluetooth_le
from obdlog.links.bluetooth_le import BluetoothLink, open_ble
from obdlog.links.probe import probe
from obdlog.links.registry import open_link
from obdlog.links.url import parse_url
from obdlog.model import Request
from obdlog.simulator.link import SimLink
from obdlog.transport.adapter_link import AdapterTransport
from tests.links.le_radio import URL, Device, in_reach, plug_into

PATIENCE_S = 30.0
Reason = BleakBluetoothNotAvailableReason


@contextmanager
def opened(device: Device, query: str = "") -> Iterator[BluetoothLink]:
    with in_reach(device):
        link = open_ble(parse_url(URL + query))
        try:
            yield link
        finally:
            link.close()


def read_all(link: BluetoothLink, count: int) -> bytes:
    data = b""
    while len(data) < count and (got := link.read(PATIENCE_S)):
        data += got
    return data


def refused(device: Device, query: str = "") -> LinkOpenError:
    with in_reach(device), pytest.raises(LinkOpenError) as caught:
        open_ble(parse_url(URL + query))
    return caught.value


@pytest.fixture(autouse=True)
def _no_thread_stays() -> Iterator[None]:
    yield
    left = [t for t in threading.enumerate() if t.name == "bluetooth-le"]
    for thread in left:
        thread.join(PATIENCE_S)
    assert not any(t.is_alive() for t in left)


class TestBytes:
    @given(
        data=st.binary(max_size=600),
        cuts=st.lists(st.integers(0, 600), max_size=40),
    )
    @settings(deadline=None, max_examples=60)
    def test_any_split_of_what_comes_gives_the_same_bytes(
        self, data: bytes, cuts: list[int]
    ) -> None:
        edges = [0, *sorted(min(c, len(data)) for c in cuts), len(data)]
        device = Device()
        with opened(device) as link:
            for start, end in itertools.pairwise(edges):
                device.send(data[start:end], size=max(1, end - start))
            assert read_all(link, len(data)) == data

    @given(data=st.binary(max_size=2000), chunk=st.integers(-1, 600))
    @settings(deadline=None, max_examples=60)
    def test_whatever_is_written_arrives_whole_in_pieces_the_connection_takes(
        self, data: bytes, chunk: int
    ) -> None:
        device = Device(chunk=chunk)
        with opened(device) as link:
            link.write(data)
        assert b"".join(piece for _, piece, _ in device.written) == data
        # BT-CORE: a value of 20 bytes always fits (MTU 23), 512 is the most.
        assert all(len(piece) <= min(max(chunk, 20), 512) for _, piece, _ in device.written)

    def test_a_device_that_does_not_know_its_size_gets_the_smallest(self) -> None:
        device = Device(chunk=None)
        with opened(device) as link:
            link.write(bytes(50))
        assert [len(piece) for _, piece, _ in device.written] == [20, 20, 10]

    def test_what_comes_before_the_subscription_is_confirmed_is_kept(self) -> None:
        device = Device()
        device.early = b"\x00READY\r>"
        with opened(device) as link:
            assert read_all(link, 8) == b"\x00READY\r>"

    def test_empty_notifications_wake_nobody_with_nothing(self) -> None:
        device = Device()
        with opened(device) as link:
            device.send(b"")
            device.send(b"\x00\x00>")
            assert read_all(link, 3) == b"\x00\x00>"

    def test_a_flood_ends_the_link_after_what_was_kept_whole(self, monkeypatch) -> None:
        monkeypatch.setattr(bluetooth_le, "MOST_WAITING", 1000)
        device = Device()
        with opened(device) as link:
            device.send(bytes(range(256)) * 4, size=100)
            assert device.left.wait(PATIENCE_S)
            assert read_all(link, 1000) == (bytes(range(256)) * 4)[:1000]
            with pytest.raises(LinkClosedError, match="1000 bytes that nobody read"):
                link.read(PATIENCE_S)
            with pytest.raises(LinkClosedError, match="nobody read"):
                link.write(b"ATI\r")

    def test_a_flood_before_the_link_is_open_is_an_error_of_opening(self, monkeypatch) -> None:
        monkeypatch.setattr(bluetooth_le, "MOST_WAITING", 4)
        device = Device()
        device.early = b"BANNER"
        assert "nobody read" in str(refused(device))


class TestWriting:
    @pytest.mark.parametrize(
        ("properties", "with_response"),
        [
            ("write-without-response", False),
            ("write", True),
            ("write write-without-response", False),
            ("read write", True),
        ],
    )
    def test_it_waits_for_the_device_only_where_there_is_no_other_way(
        self, properties: str, with_response: bool
    ) -> None:
        device = Device([("FFF0", [("FFF1", "notify"), ("FFF2", properties)])])
        with opened(device) as link:
            link.write(b"ATI\r")
        assert device.written == [("FFF2", b"ATI\r", with_response)]

    @pytest.mark.parametrize(
        "failure",
        [
            BleakGATTProtocolError(0x03),
            BleakDBusError("org.bluez.Error.Failed", ["Not connected"]),
            OSError(5, "Input/output error"),
            EOFError(),
            AssertionError(),
            BleakError("\x1b[2Jcleared"),
        ],
        ids=lambda e: type(e).__name__,
    )
    def test_a_write_that_the_device_refuses_ends_the_link(self, failure: Exception) -> None:
        device = Device()
        device.write_failure = failure
        with opened(device) as link:
            with pytest.raises(LinkClosedError, match="lost the connection") as caught:
                link.write(b"ATI\r")
            assert "\x1b" not in str(caught.value)
            assert caught.value.hint
            with pytest.raises(LinkClosedError):
                link.read(PATIENCE_S)

    def test_a_device_that_takes_nothing_more_is_a_timeout(self, monkeypatch) -> None:
        monkeypatch.setattr(bluetooth_le, "WRITE_TIMEOUT_S", 0.01)
        device = Device()
        device.silent = {"write"}
        with opened(device) as link:
            with pytest.raises(LinkTimeoutError, match="takes no more data"):
                link.write(b"ATI\r")
            device.silent.clear()
            assert link.read(0.0) == b""
        assert device.written == []  # what was given up is not sent later

    def test_a_write_that_hangs_when_the_device_goes_ends_at_once(self) -> None:
        device = Device()
        device.silent = {"write"}
        with opened(device) as link:
            threading.Thread(
                target=lambda: device.doing.wait(PATIENCE_S) and device.vanish()
            ).start()
            with pytest.raises(LinkClosedError, match="lost the connection"):
                link.write(b"ATI\r")


class TestTheEnd:
    def test_what_arrived_before_the_device_went_is_still_read(self) -> None:
        device = Device()
        with opened(device) as link:
            device.send(b"41 00 BE")
            device.vanish()
            assert device.left.wait(PATIENCE_S)
            assert read_all(link, 8) == b"41 00 BE"
            with pytest.raises(LinkClosedError, match="lost the connection") as caught:
                link.read(PATIENCE_S)
            assert caught.value.hint

    def test_a_reader_that_waits_is_woken(self) -> None:
        device = Device()
        with opened(device) as link:
            reader = threading.Thread(target=device.vanish)
            reader.start()
            with pytest.raises(LinkClosedError, match="lost the connection"):
                link.read(PATIENCE_S)
            reader.join(PATIENCE_S)

    def test_a_device_that_drops_as_soon_as_it_is_subscribed_to_is_lost_not_open_for_ever(
        self,
    ) -> None:
        device = Device()
        device.drops_when_subscribed = True
        with opened(device) as link, pytest.raises(LinkClosedError, match="lost the connection"):
            link.read(PATIENCE_S)

    def test_closing_lets_go_once_and_may_be_repeated(self) -> None:
        device = Device()
        with opened(device) as link:
            device.send(b"unread")
            link.close()
            link.close()
            assert device.let_go == 1
            with pytest.raises(LinkClosedError, match="is closed"):
                link.read(0.0)
            with pytest.raises(LinkClosedError, match="is closed"):
                link.write(b"")

    def test_a_device_that_does_not_let_go_costs_a_bounded_time(self, monkeypatch) -> None:
        monkeypatch.setattr(bluetooth_le, "LET_GO_S", 0.01)
        device = Device()
        device.silent = {"disconnect"}
        with opened(device) as link:
            link.close()
            with pytest.raises(LinkClosedError):
                link.read(0.0)
        assert device.doing.is_set()

    def test_ctrl_c_while_connecting_leaves_nothing_behind(self, monkeypatch) -> None:
        device = Device()
        device.silent = {"connect"}

        def interrupt(self: object, timeout: float | None = None) -> None:
            assert device.doing.wait(PATIENCE_S)
            raise KeyboardInterrupt

        monkeypatch.setattr("obdlog.links.bluetooth_le.Future.result", interrupt)
        with in_reach(device), pytest.raises(KeyboardInterrupt):
            open_ble(parse_url(URL))
        assert device.let_go == 1


class TestConnecting:
    @pytest.mark.parametrize(
        ("failure", "reason", "says"),
        [
            (BleakDeviceNotFoundError("x", "not found"), OpenFailure.MISSING, "can be heard"),
            (BleakBluetoothNotAvailableError("no", Reason.NO_BLUETOOTH), OpenFailure.MISSING,
             "no radio"),
            (BleakBluetoothNotAvailableError("no", Reason.NO_BLE_CENTRAL_ROLE),
             OpenFailure.MISSING, "no radio"),
            (BleakBluetoothNotAvailableError("off", Reason.POWERED_OFF),
             OpenFailure.UNREACHABLE, "turned off"),
            (BleakBluetoothNotAvailableError("by user", Reason.DENIED_BY_USER),
             OpenFailure.NOT_PERMITTED, "by user"),
            (BleakBluetoothNotAvailableError("by system", Reason.DENIED_BY_SYSTEM),
             OpenFailure.NOT_PERMITTED, "by system"),
            (BleakBluetoothNotAvailableError("who knows", Reason.UNKNOWN), OpenFailure.OTHER,
             "who knows"),
            (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", ["no org.bluez"]),
             OpenFailure.MISSING, "service of this computer does not run"),
            (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", ["denied"]),
             OpenFailure.NOT_PERMITTED, "denied"),
            (BleakDBusError("org.bluez.Error.NotReady", ["Resource Not Ready"]),
             OpenFailure.UNREACHABLE, "turned off"),
            (BleakDBusError("org.bluez.Error.InProgress", ["busy"]), OpenFailure.BUSY, "in use"),
            (BleakDBusError("org.bluez.Error.Failed", ["le-connection-abort"]),
             OpenFailure.UNREACHABLE, "le-connection-abort"),
            (BleakGATTProtocolError(0x05), OpenFailure.NOT_PERMITTED, "paired"),
            (BleakGATTProtocolError(0x0F), OpenFailure.NOT_PERMITTED, "paired"),
            (BleakGATTProtocolError(0x11), OpenFailure.UNREACHABLE, "Resource"),
            (FileNotFoundError(2, "No such file or directory"), OpenFailure.MISSING,
             "service of this computer does not run"),
            (ConnectionRefusedError(111, "refused"), OpenFailure.MISSING, "does not run"),
            (PermissionError(13, "Permission denied"), OpenFailure.NOT_PERMITTED, "Permission"),
            (TimeoutError(), OpenFailure.UNREACHABLE, "does not answer"),
            (BleakError("\x1b[31mred\nline"), OpenFailure.UNREACHABLE, "[31mred line"),
            (BleakError("x" * 5000), OpenFailure.UNREACHABLE, "xxx"),
            (RuntimeError("whatever a stack raises"), OpenFailure.UNREACHABLE, "whatever"),
        ],
        ids=lambda v: f"{type(v).__name__}-{v}"[:60] if isinstance(v, Exception) else None,
    )  # fmt: skip
    def test_each_failure_has_its_reason_and_what_to_try(
        self, failure: Exception, reason: OpenFailure, says: str
    ) -> None:
        device = Device()
        device.failures = [failure] * bluetooth_le.TRIES
        error = refused(device)
        assert error.reason is reason
        assert says in str(error)
        assert error.hint
        assert str(error).isprintable()
        assert len(str(error)) < 300
        assert error.exit_code == 3

    @pytest.mark.parametrize(
        ("failures", "attempts"),
        [
            ([BleakError("le-connection-abort-by-local")], 2),
            ([TimeoutError(), BleakDBusError("org.bluez.Error.InProgress", ["busy"])], 3),
        ],
    )
    def test_what_may_pass_is_tried_again(self, failures: list[Exception], attempts: int) -> None:
        device = Device()
        device.failures = failures
        with opened(device) as link:
            device.send(b">")
            assert link.read(PATIENCE_S) == b">"
        assert device.attempts == attempts

    def test_a_subscription_that_fails_lets_go_and_is_tried_again(self) -> None:
        device = Device()
        device.notify_failures = [BleakError("disconnected")]
        with opened(device):
            assert (device.attempts, device.let_go) == (2, 1)

    def test_it_is_not_tried_for_ever(self) -> None:
        device = Device()
        device.failures = [BleakError("no")] * 100
        refused(device)
        assert device.attempts == bluetooth_le.TRIES

    @pytest.mark.parametrize(
        "failure",
        [
            BleakDeviceNotFoundError("x", "not found"),
            BleakBluetoothNotAvailableError("by user", Reason.DENIED_BY_USER),
            FileNotFoundError(2, "no bus"),
        ],
        ids=lambda e: type(e).__name__,
    )
    def test_what_stays_is_not_tried_again(self, failure: Exception) -> None:
        device = Device()
        device.failures = [failure] * 3
        refused(device)
        assert device.attempts == 1

    @pytest.mark.parametrize("what", ["connect", "notify"])
    def test_a_device_that_never_finishes_costs_a_bounded_time(
        self, monkeypatch, what: str
    ) -> None:
        monkeypatch.setattr(bluetooth_le, "CONNECT_S", 0.02)
        device = Device()
        device.silent = {what}
        error = refused(device)
        assert error.reason is OpenFailure.UNREACHABLE
        assert "does not answer" in str(error)
        assert device.let_go == 1

    def test_a_stack_that_does_not_even_stop_costs_a_bounded_time(self, monkeypatch) -> None:
        for name in ("CONNECT_S", "LET_GO_S", "GRACE_S"):
            monkeypatch.setattr(bluetooth_le, name, 0.02)
        free = threading.Event()

        async def deaf(self: object) -> None:
            free.wait(PATIENCE_S)  # blocks the loop itself, as a broken stack does

        monkeypatch.setattr(BluetoothLink, "_reach", deaf)
        try:
            assert refused(Device()).reason is OpenFailure.UNREACHABLE
        finally:
            free.set()

    def test_without_the_extra_it_says_how_to_get_it(self, monkeypatch) -> None:
        monkeypatch.setitem(sys.modules, "bleak", None)
        with pytest.raises(LinkOpenError, match="extra") as caught:
            open_link(URL)
        assert caught.value.reason is OpenFailure.NEEDS_EXTRA
        assert "pip install obdlog[ble]" in caught.value.hint

    def test_an_unknown_platform_is_an_error_of_opening(self, monkeypatch) -> None:
        def unknown(*args: object, **kwargs: object) -> None:
            raise BleakError("Unsupported platform: Plan 9")

        monkeypatch.setattr("bleak.BleakClient", unknown)
        with pytest.raises(LinkOpenError, match="Plan 9"):
            open_link(URL)


class TestAddress:
    @pytest.mark.parametrize(
        ("place", "address"),
        [
            ("02:00:00:00:00:01", "02:00:00:00:00:01"),
            ("02-00-00-00-00-01", "02:00:00:00:00:01"),
            ("aa:bb:cc:dd:ee:ff/", "AA:BB:CC:DD:EE:FF"),
            ("0a0b0c0d-0102-0304-0506-0708090a0b0c", "0A0B0C0D-0102-0304-0506-0708090A0B0C"),
        ],
    )
    def test_a_mac_address_or_the_uuid_of_a_device(self, place: str, address: str) -> None:
        assert bluetooth_le.address_of(parse_url(f"ble://{place}")) == address

    @pytest.mark.parametrize(
        "text",
        [
            "ble://adapter",
            "ble://02:00:00:00:00",
            "ble://02:00:00:00:00:01:02",
            "ble://02:00:00:00:00:0G",
            "ble://0a0b0c0d",
            "ble://02:00:00:00:00:01/more",
            f"{URL}?baud=9600",
            f"{URL}?service=FFG0",
            f"{URL}?read=12345",
            f"{URL}?write=",
            f"{URL}?service=FFF0&service=FFE0",
        ],
    )
    def test_anything_else_is_refused_with_an_example(self, text: str) -> None:
        with pytest.raises(LinkOpenError) as caught:
            open_link(text)
        assert caught.value.reason is OpenFailure.BAD_URL
        assert "For example" in caught.value.hint


class TestThePair:
    """The rule itself: test_ble_pair.py."""

    def test_both_ends_of_the_line_may_be_named(self) -> None:
        services = [
            ("FFF0", [("FFF1", "notify"), ("FFF2", "write-without-response")]),
            ("FFE0", [("FFE1", "notify write"), ("FFE2", "write")]),
        ]
        device = Device(services)
        with opened(device, "?service=FFE0&write=0000ffe2-0000-1000-8000-00805f9b34fb") as link:
            link.write(b">")
        assert device.subscribed == ["FFE1"]
        assert device.written == [("FFE2", b">", True)]

    def test_a_device_without_one_is_let_go_and_says_what_it_has(self) -> None:
        device = Device([("180F", [("2A19", "read notify")]), ("FFF0", [("FFF1", "notify")])])
        error = refused(device)
        assert error.reason is OpenFailure.NOT_AN_ADAPTER
        assert "FFF0/FFF1 (notify)" in str(error)
        assert "2A19" not in str(error)
        assert (device.attempts, device.let_go, device.subscribed) == (1, 1, [])


class TestWithAnAdapter:
    @pytest.mark.parametrize("chunk", [20, 182])
    def test_a_conversation_over_it_reads_the_same_as_any_other_road(self, chunk: int) -> None:
        near = SimLink("airbox-repair")
        device = Device(chunk=chunk)
        plug_into(device, "airbox-repair")
        with opened(device) as link:
            by_radio, direct = AdapterTransport(link), AdapterTransport(near)
            assert by_radio.connect() == direct.connect()
            for payload in (b"\x03", b"\x07", b"\x0a", b"\x09\x02", b"\x01\x01"):
                heard = by_radio.exchange(Request(payload))
                said = direct.exchange(Request(payload))
                assert heard.outcome is said.outcome
                got = [(m.source, m.payload) for m in heard.messages]
                assert got == [(m.source, m.payload) for m in said.messages]
                assert got
            by_radio.close()
        assert device.left.is_set()

    def test_whether_an_adapter_answers_can_be_asked(self) -> None:
        device = Device()
        plug_into(device, "airbox-repair")
        with opened(device) as link:
            assert probe(link).answers
