"""Opens a CAN interface by python-can, without disturbing a bus whose bit rate is not known.

References
----------
ISO 15765-4, initialisation: 500 kbit/s, then 250 kbit/s; whoever causes errors leaves the bus.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from obdlog.clock import Clock
from obdlog.errors import LinkOpenError, OpenFailure
from obdlog.links.multicast import keep_to_own_group
from obdlog.links.url import LinkUrl, bad_url

if TYPE_CHECKING:
    import can

BIT_RATES = (500_000, 250_000)
LISTEN_S = 1.0
ENOUGH_FRAMES, ENOUGH_ERRORS = 5, 3

NO_BIT_RATE = frozenset({"virtual", "udp_multicast", "socketcan", "socketcand"})
"""Interfaces whose bit rate is set elsewhere (``ip link``, a server) or does not exist."""

LISTEN_ONLY: dict[str, dict[str, Any]] = {
    "slcan": {"listen_only": True},
    "vector": {"listen_only": True},
    "nixnet": {"listen_only": True},
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "seeedstudio": {"operation_mode": "silent"},
    "pcan": {"state": "PASSIVE"},
    "systec": {"state": "PASSIVE"},
}
"""How python-can opens an interface so that it only listens (python-can's documentation)."""

FURTHER_OPTIONS: dict[str, tuple[str, ...]] = {
    "gs_usb": ("index", "bus", "address"),
    "neovi": ("serial",),
    "pcan": ("device_id",),
    "seeedstudio": ("baudrate",),
    "slcan": ("tty_baudrate",),
    "socketcand": ("host", "port"),
    "udp_multicast": ("port", "hop_limit"),
    "usb2can": ("dll",),
    "vector": ("app_name", "serial"),
}
"""What python-can's interfaces take beside channel and bit rate, and the URL may give."""

LONGEST_OPTION = 100
_THIS_MACHINE = 0
"""Hops of multicast that stays on this computer, unless the URL says otherwise."""

_INTERFACE = re.compile(r"[a-z0-9_]{1,30}")


_NO_HANDLER = logging.NullHandler()


class Listened(StrEnum):
    """What listening at one bit rate brought."""

    FRAMES = "frames"
    ERRORS = "errors"
    SILENCE = "silence"


@dataclass(frozen=True, slots=True)
class CanPlace:
    """Where a bus is: python-can's interface and channel, and what the user states of it.

    `bit_rate` [bit/s] and `id_bits` (11 or 29) are None where they are to be found. `further` are
    options of the interface itself, see `FURTHER_OPTIONS`.
    """

    url: str
    interface: str
    channel: str
    bit_rate: int | None = None
    id_bits: int | None = None
    further: tuple[tuple[str, str | int], ...] = ()

    @property
    def title(self) -> str:
        """What to call it in a sentence."""
        return f"CAN interface {self.interface} at {self.channel}"

    @property
    def rates(self) -> tuple[int | None, ...]:
        """The bit rates to try [bit/s]; None is the one that is set already."""
        if self.bit_rate is not None:
            return (self.bit_rate,)
        return (None,) if self.interface in NO_BIT_RATE else BIT_RATES

    @property
    def searches(self) -> bool:
        """Whether the bit rate has to be found."""
        return len(self.rates) > 1


def can_place(url: LinkUrl) -> CanPlace:
    """Return the parts of ``can://INTERFACE/CHANNEL?bitrate=500000&ext=0``.

    Raises
    ------
    LinkOpenError
        The URL is malformed.
    """
    interface, separator, channel = url.place.partition("/")
    further = FURTHER_OPTIONS.get(interface, ())
    url.allow("bitrate", "ext", *further)
    if not _INTERFACE.fullmatch(interface) or not separator or not channel:
        raise bad_url(url.text, "can", "it names an interface and a channel")
    rate = url.whole_number("bitrate", 0, 0, 8_000_000) or None
    ext = {"0": 11, "1": 29}.get(url.choice("ext", ("", "0", "1"), ""))
    given = {name: url.options[name] for name in further if name in url.options}
    for name, value in given.items():
        if not 0 < len(value) <= LONGEST_OPTION:
            raise bad_url(url.text, "can", f"{name} has 1 to {LONGEST_OPTION} characters")
    options = tuple((name, _cast(value)) for name, value in given.items())
    return CanPlace(url.text, interface, channel, rate, ext, options)


def _cast(text: str) -> str | int:
    """Return `text`, as a number where it is one: drivers tell the two apart."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 12 else text


def require_interface(place: CanPlace) -> None:
    """Check that python-can knows the interface.

    Raises
    ------
    LinkOpenError
        It does not.
    """
    import can

    if place.interface not in can.VALID_INTERFACES:
        raise LinkOpenError(
            f"there is no CAN interface {place.interface!r}",
            reason=OpenFailure.BAD_URL,
            hint=f"python-can knows {', '.join(sorted(can.VALID_INTERFACES))}.",
        )


def open_bus(place: CanPlace, bit_rate: int | None, *, listen_only: bool = False) -> can.BusABC:
    """Return the open bus.

    Raises
    ------
    LinkOpenError
        There is no such interface, its driver is missing, or it cannot be opened.
    """
    import can

    require_interface(place)
    # What drivers mutter is no answer of ours; what they raise is translated below.
    logging.getLogger("can").addHandler(_NO_HANDLER)
    options: dict[str, Any] = dict(place.further)
    if bit_rate is not None:
        options["bitrate"] = bit_rate
    if place.interface == "udp_multicast":
        options["fd"] = False
        options.setdefault("hop_limit", _THIS_MACHINE)
    if listen_only:
        options |= LISTEN_ONLY[place.interface]
        if options.get("state") == "PASSIVE":
            options["state"] = can.BusState.PASSIVE
    try:
        # Files and variables of python-can's own must not change what the URL says.
        bus = can.Bus(
            interface=place.interface, channel=_cast(place.channel), ignore_config=True, **options
        )
        if place.interface == "udp_multicast":
            keep_to_own_group(bus.fileno())
        return bus
    except Exception as error:
        # Drivers raise whatever they like; this is the border where it becomes ours.
        raise _not_open(place, error) from error


def _not_open(place: CanPlace, error: Exception) -> LinkOpenError:
    reason = _reason(error)
    said = " ".join(str(error).split())[:200] or type(error).__name__
    verb = "may not be opened" if reason is OpenFailure.NOT_PERMITTED else "cannot be opened"
    hint = _HINTS.get(reason, "Check its name, and that it is plugged in and up.")
    if place.interface == "udp_multicast" and reason is OpenFailure.OTHER:
        hint = "Its channel is a multicast address, for example 239.74.163.2."
    return LinkOpenError(f"the {place.title} {verb}: {said}", reason=reason, hint=hint)


_HINTS = {
    OpenFailure.NOT_PERMITTED: "Give this user the right to use the interface.",
    OpenFailure.NEEDS_EXTRA: "Its driver or library is missing on this computer; python-can's "
    "documentation says which one it needs.",
    OpenFailure.BUSY: "Close the program that has it.",
}


def _reason(error: Exception) -> OpenFailure:
    """Return what kind of failure a driver means by what it raised."""
    import can

    text = str(error).casefold()
    number = getattr(error, "errno", None)
    if (
        isinstance(error, PermissionError)
        or number in (errno.EPERM, errno.EACCES)
        or "permission" in text
        or "not permitted" in text
    ):
        return OpenFailure.NOT_PERMITTED
    # A driver that was not found leaves names undefined, some ten lines later.
    lacking = (can.CanInterfaceNotImplementedError, ImportError, NameError, RuntimeError)
    if (
        isinstance(error, lacking)
        or number == errno.EAFNOSUPPORT
        or (("library" in text or "driver" in text) and "not" in text)
    ):
        return OpenFailure.NEEDS_EXTRA
    if number == errno.EBUSY or "busy" in text:
        return OpenFailure.BUSY
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "no such" in text:
        return OpenFailure.MISSING
    return OpenFailure.OTHER


def listen(place: CanPlace, bit_rate: int, clock: Clock) -> Listened:
    """Return what is heard at `bit_rate` without taking part in the traffic.

    Raises
    ------
    LinkOpenError
        The interface has no way to only listen, or cannot be opened.
    """
    require_interface(place)
    if place.interface not in LISTEN_ONLY:
        raise LinkOpenError(
            f"the bit rate of the bus at {place.interface} is not known, and this interface cannot "
            "listen without taking part",
            reason=OpenFailure.BAD_URL,
            hint="A wrong bit rate disturbs the vehicle. State it, for example ?bitrate=500000.",
        )
    bus = open_bus(place, bit_rate, listen_only=True)
    frames = errors = 0
    try:
        until_s = clock.now_s() + LISTEN_S
        while (left_s := until_s - clock.now_s()) > 0:
            message = bus.recv(left_s)
            if message is None:
                continue
            errors += message.is_error_frame
            frames += not message.is_error_frame
            if frames >= ENOUGH_FRAMES or errors >= ENOUGH_ERRORS:
                break
    except Exception as error:
        raise _not_open(place, error) from error
    finally:
        shut(bus)
    if errors > frames:
        return Listened.ERRORS
    return Listened.FRAMES if frames else Listened.SILENCE


def shut(bus: can.BusABC) -> None:
    """Leave the bus, whatever state it is in."""
    with contextlib.suppress(Exception):
        bus.shutdown()
