"""A Bluetooth LE device behind bleak's own boundary, its ``backend=``: no radio is needed."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import threading
from collections.abc import Callable, Iterator
from typing import Any
from unittest import mock

import bleak
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError
from bleak.uuids import normalize_uuid_str

from obdlog.clock import ManualClock
from obdlog.simulator.adapter import Adapter
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.personality import load_personality

ADDRESS = "02:00:00:00:00:01"
"""Locally administered (IEEE 802), so it belongs to no maker."""

URL = f"ble://{ADDRESS}"

Services = list[tuple[str, list[tuple[str, str]]]]
SERIAL: Services = [
    ("1800", [("2A00", "read")]),
    ("FFF0", [("FFF1", "notify"), ("FFF2", "write-without-response write")]),
]


class Device:
    """A device in reach, and what goes wrong with it.

    `failures` are raised by one attempt to connect after the other; `silent` lists what the
    device never finishes: connect, notify, write, disconnect.
    """

    def __init__(self, services: Services = SERIAL, chunk: object = 20) -> None:
        self.services = services
        self.chunk = chunk
        self.failures: list[Exception] = []
        self.notify_failures: list[Exception] = []
        self.write_failure: Exception | None = None
        self.silent: set[str] = set()
        self.early = b""
        self.drops_when_subscribed = False
        self.on_write: Callable[[bytes], None] = lambda data: None
        self.written: list[tuple[str, bytes, bool]] = []
        self.subscribed: list[str] = []
        self.attempts = 0
        self.let_go = 0
        self.doing = threading.Event()
        self.left = threading.Event()
        self.client: FakeClient | None = None

    def send(self, data: bytes, size: int = 20) -> None:
        """Notify `data` in pieces of `size`, from whatever thread."""
        assert self.client is not None
        for start in range(0, len(data), size):
            self.client.loop.call_soon_threadsafe(self.client.hear, data[start : start + size])

    def vanish(self) -> None:
        """Go out of reach."""
        assert self.client is not None
        # A link that has noticed already has closed its loop.
        with contextlib.suppress(RuntimeError):
            self.client.loop.call_soon_threadsafe(self.client.drop)


class FakeClient(BaseBleakClient):
    """bleak's interface to `device`, in the part of a system's Bluetooth stack."""

    device: Device

    def __init__(self, address: Any, **settings: Any) -> None:
        super().__init__(
            address,
            disconnected_callback=settings["disconnected_callback"],
            timeout=settings["timeout"],
        )
        self._connected = False
        self._callback: Callable[[bytearray], None] | None = None

    @property
    def mtu_size(self) -> int:
        return 23

    @property
    def is_connected(self) -> bool:
        return self._connected

    @property
    def name(self) -> str:
        return "device"

    async def connect(self, pair: bool = False, **kwargs: Any) -> None:
        self.loop = asyncio.get_running_loop()
        self.device.client = self
        self.device.attempts += 1
        await self._perhaps_never("connect")
        if self.device.failures:
            raise self.device.failures.pop(0)
        self.services = self._collection()
        self._connected = True

    async def disconnect(self) -> None:
        await self._perhaps_never("disconnect")
        self._connected = False
        self.device.let_go += 1
        self.device.left.set()

    async def start_notify(self, characteristic: Any, callback: Any, **kwargs: Any) -> None:
        await self._perhaps_never("notify")
        if self.device.notify_failures:
            raise self.device.notify_failures.pop(0)
        self._callback = callback
        self.device.subscribed.append(characteristic.uuid[4:8].upper())
        if self.device.early:  # some devices greet before the subscription is confirmed
            callback(bytearray(self.device.early))
        if self.device.drops_when_subscribed:
            self.drop()

    async def write_gatt_char(self, characteristic: Any, data: Any, response: bool) -> None:
        await self._perhaps_never("write")
        if not self._connected:
            raise BleakError("Not connected")
        if self.device.write_failure:
            raise self.device.write_failure
        self.device.written.append((characteristic.uuid[4:8].upper(), bytes(data), response))
        self.device.on_write(bytes(data))

    def hear(self, data: bytes) -> None:
        if self._callback and self._connected:
            self._callback(bytearray(data))

    def drop(self) -> None:
        self._connected = False
        if self._disconnected_callback:
            self._disconnected_callback()

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        raise AssertionError("nothing is paired by itself")

    async def unpair(self) -> None:
        raise AssertionError("nothing is unpaired by itself")

    async def read_gatt_char(self, *args: Any, **kwargs: Any) -> bytearray:
        raise AssertionError("a serial line is never read like a value")

    async def read_gatt_descriptor(self, *args: Any, **kwargs: Any) -> bytearray:
        raise AssertionError("no descriptor is needed")

    async def write_gatt_descriptor(self, *args: Any, **kwargs: Any) -> None:
        raise AssertionError("no descriptor is needed")

    async def stop_notify(self, *args: Any, **kwargs: Any) -> None:
        self._callback = None

    async def _perhaps_never(self, what: str) -> None:
        if what in self.device.silent:
            self.device.doing.set()
            await asyncio.Event().wait()

    def _collection(self) -> BleakGATTServiceCollection:
        found = BleakGATTServiceCollection()
        handle = 1
        for service_uuid, characteristics in self.device.services:
            service = BleakGATTService(None, handle, normalize_uuid_str(service_uuid))
            found.add_service(service)
            for uuid, properties in characteristics:
                handle += 2
                found.add_characteristic(
                    BleakGATTCharacteristic(
                        None,
                        handle,
                        normalize_uuid_str(uuid),
                        properties.split(),  # type: ignore[arg-type]
                        lambda: self.device.chunk,  # type: ignore[arg-type,return-value]
                        service,
                    )
                )
            handle += 1
        return found


@contextlib.contextmanager
def in_reach(device: Device) -> Iterator[Device]:
    """Let bleak find `device` and nothing else, by the ``backend`` that it takes from anyone."""
    backend = type("DeviceClient", (FakeClient,), {"device": device})
    with mock.patch("bleak.BleakClient", functools.partial(bleak.BleakClient, backend=backend)):
        yield device


@contextlib.contextmanager
def advertising(*devices: dict[str, Any], failure: Exception | None = None) -> Iterator[list[str]]:
    """Let bleak hear `devices`; the value lists what was done to listen."""
    done: list[str] = []

    class FakeScanner(BaseBleakScanner):
        def __init__(self, callback: Any, services: Any, *args: Any, **kwargs: Any) -> None:
            super().__init__(callback, services)

        async def start(self) -> None:
            done.append("start")
            if failure:
                raise failure
            for number, said in enumerate(devices):
                heard = AdvertisementData(
                    local_name=said.get("name"),
                    manufacturer_data={},
                    service_data={},
                    service_uuids=[normalize_uuid_str(u) for u in said.get("services", ())],
                    tx_power=None,
                    rssi=said.get("rssi", -60),
                    platform_data=(),
                )
                address = said.get("address", f"02:00:00:00:00:{number:02X}")
                self.create_or_update_device(address, address, said.get("system"), None, heard)

        async def stop(self) -> None:
            done.append("stop")

    class Scanner(bleak.BleakScanner):
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, backend=FakeScanner, **kwargs)

    def never(*args: Any, **kwargs: Any) -> None:
        raise AssertionError("listening connects to nobody")

    with mock.patch("bleak.BleakScanner", Scanner), mock.patch("bleak.BleakClient", never):
        yield done


def plug_into(device: Device, scenario: str) -> None:
    """Put a simulated adapter in a simulated car behind `device`; its time costs none of ours."""
    clock = ManualClock()
    car = SimulatedCar(scenario, 1, clock)
    adapter = Adapter(car, load_personality(car.profile.personality), car.seed)

    def answer(data: bytes) -> None:
        adapter.receive(data, clock.now_s())
        while (due_s := adapter.next_due_s()) is not None:
            clock.sleep_s(due_s - clock.now_s())
            device.send(adapter.due(max(clock.now_s(), due_s)))

    device.on_write = answer
