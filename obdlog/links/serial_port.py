"""Serial ports: USB adapters, and Bluetooth ones that the system offers as a port."""

from __future__ import annotations

import sys
from dataclasses import dataclass

from obdlog.errors import LinkOpenError, OpenFailure
from obdlog.links.port import SLICE_S, WRITE_TIMEOUT_S, PortLink, open_port
from obdlog.links.probe import plain
from obdlog.links.speed import SPEEDS, find_speed
from obdlog.links.url import LinkUrl, bad_url

LOWEST_BAUD = 300
HIGHEST_BAUD = 4_000_000


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this computer, as the system describes it."""

    device: str
    description: str
    maker: str
    usb_id: str


def open_serial(url: LinkUrl) -> PortLink:
    """Return the serial port of `url`; without ``baud`` its speed is found by asking.

    Raises
    ------
    LinkOpenError
        The port is missing, busy or not permitted, or no adapter answers at any speed.
    """
    url.allow("baud")
    baud = url.whole_number("baud", 0, LOWEST_BAUD, HIGHEST_BAUD)
    if "://" in url.place:
        raise bad_url(url.text, "serial", "it must name a port of this computer")
    selectable = sys.platform != "win32"
    port = open_port(
        url.text,
        url.place,
        baudrate=baud or SPEEDS[0],
        timeout=0 if selectable else SLICE_S,
        write_timeout=WRITE_TIMEOUT_S,
        exclusive=True,
    )
    link = PortLink(url.text, port, selectable=selectable)
    if baud:
        return link
    try:
        found = find_speed(link)
    except BaseException:  # Ctrl-C during the search lets go of the port
        link.close()
        raise
    if found is None:
        link.close()
        raise LinkOpenError(
            f"no adapter answers on {url.text} at {', '.join(map(str, SPEEDS))} bit/s",
            reason=OpenFailure.NOT_AN_ADAPTER,
            hint="Check that the adapter has power (ignition on), or give its speed with ?baud=.",
        )
    return link


def list_ports() -> tuple[PortInfo, ...]:
    """Return the serial ports in the system's order of names; nothing is sent to any of them."""
    from serial.tools import list_ports as system

    found = [
        PortInfo(
            device=port.device,
            description=plain(port.description),
            maker=plain(port.manufacturer),
            usb_id=f"{port.vid:04X}:{port.pid:04X}" if port.vid is not None else "",
        )
        for port in system.comports()
    ]
    return tuple(sorted(found, key=lambda port: port.device))
