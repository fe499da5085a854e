"""Bluetooth LE devices that can be heard. Nothing is connected to, whatever it is."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

from obdlog.links.ble_errors import open_failure
from obdlog.links.ble_pair import full_uuid, may_be_serial, short_uuid
from obdlog.links.bluetooth_le import GRACE_S, need_bleak, say_nothing
from obdlog.links.probe import plain

SCAN_S = 5.0
STOP_S = 5.0
MOST_DEVICES = 200
MOST_SERVICES = 8


@dataclass(frozen=True, slots=True)
class Heard:
    """A device that was heard, and what it says of itself.

    `services` are the ones it advertises that may hold a serial line; many devices have more than
    they advertise.
    """

    link: str
    name: str
    signal_dbm: int | None
    services: tuple[str, ...]


def listen_around(seconds: float | None = None) -> tuple[Heard, ...]:
    """Return the Bluetooth LE devices heard in `seconds` [s], likely and near ones first.

    Raises
    ------
    LinkOpenError
        bleak is not installed, or Bluetooth cannot be used here.
    """
    need_bleak("Listening for Bluetooth LE")
    with asyncio.Runner() as runner:
        runner.get_loop().set_exception_handler(say_nothing)
        found = runner.run(_scan(SCAN_S if seconds is None else seconds))
    heard = [_heard(device, advertised) for device, advertised in found]
    heard.sort(key=lambda h: (not h.services, -(h.signal_dbm or -1000), h.link))
    return tuple(heard[:MOST_DEVICES])


async def _scan(seconds: float) -> list[tuple[Any, Any]]:
    from bleak import BleakScanner

    try:
        async with asyncio.timeout(seconds + STOP_S + GRACE_S):
            found = await BleakScanner.discover(timeout=seconds, return_adv=True)
    except Exception as error:  # D-Bus, WinRT and Objective-C each raise their own
        raise open_failure("Bluetooth LE", error) from error
    return list(found.values())


def _heard(device: Any, advertised: Any) -> Heard:
    uuids = {u for text in advertised.service_uuids or () if (u := full_uuid(str(text)))}
    rssi = advertised.rssi
    return Heard(
        link=f"ble://{plain(str(device.address))}",
        name=plain(advertised.local_name or device.name),
        signal_dbm=rssi if isinstance(rssi, int) and -127 <= rssi <= 20 else None,
        services=tuple(sorted(short_uuid(u) for u in uuids if may_be_serial(u)))[:MOST_SERVICES],
    )
