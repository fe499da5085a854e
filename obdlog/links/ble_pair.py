"""Which two characteristics of a Bluetooth LE device are its serial line, by their properties.

Bluetooth LE has no standard serial service: every maker of radio modules has its own numbers.
So the choice goes by what a characteristic can do. Nothing is sent to find out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from obdlog.links.probe import plain

LISTEN = ("notify", "indicate")
WRITE = ("write-without-response", "write")
"""Properties by which bytes come and go, the better one first."""

UPDATE_SERVICES = frozenset(
    {
        "00001530-1212-efde-1523-785feabcd123",
        "8e400001-f315-4f60-9fb8-838830daea50",
        "8d53dc1d-1db7-4cd3-868b-8a527460aa84",
        "e95d93b0-251d-470a-a062-fa1922dfa9a8",
        "0000fe59-0000-1000-8000-00805f9b34fb",
        "f000ffc0-0451-4000-b000-000000000000",
    }
)
"""Services that replace the device's own program: the first four by the list of names that bleak
carries, the others common practice (no source)."""

MOST_NAMED = 8
_BASE = "-0000-1000-8000-00805f9b34fb"
_SHORT = re.compile(r"[0-9a-f]{4}|[0-9a-f]{8}")
_FULL = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


@dataclass(frozen=True, slots=True)
class Characteristic:
    """What a device says of one characteristic: numbers, properties, the service it belongs to."""

    handle: int
    uuid: str
    properties: frozenset[str]
    service_handle: int
    service: str

    def listens(self) -> bool:
        """Return whether the device can send through it unasked."""
        return not self.properties.isdisjoint(LISTEN)

    def writes(self) -> bool:
        """Return whether it can be written to."""
        return not self.properties.isdisjoint(WRITE)


@dataclass(frozen=True, slots=True)
class Pair:
    """The characteristic that bytes come from, and the one they go to; they may be the same."""

    listen: Characteristic
    write: Characteristic

    @property
    def with_response(self) -> bool:
        """Whether each write waits for the device's word."""
        return WRITE[0] not in self.write.properties


@dataclass(frozen=True, slots=True)
class Wishes:
    """Full numbers that the user gave for the service and its characteristics, empty where none."""

    service: str = ""
    read: str = ""
    write: str = ""


def full_uuid(text: str) -> str | None:
    """Return `text`, a number of 16, 32 or 128 bits, as 128 bits; None where it is none."""
    low = text.strip().lower()
    if _SHORT.fullmatch(low):
        return low.rjust(8, "0") + _BASE
    return low if _FULL.fullmatch(low) else None


def short_uuid(uuid: str) -> str:
    """Return `uuid` as people write it: four digits where it is a number of 16 bits."""
    low = uuid.lower()
    if low.startswith("0000") and low.endswith(_BASE):
        return low[4:8].upper()
    return plain(low)


def is_standard(service: str) -> bool:
    """Return whether `service` is one of the standard services 1800 to 187F [BT-ASSIGNED].

    They have meanings of their own (battery, device information) and none is a serial line.
    Numbers of 16 bits above them are used by makers of modules without being allotted.
    """
    return service.lower().endswith(_BASE) and 0x1800 <= int(service[:8], 16) <= 0x187F


def may_be_serial(service: str) -> bool:
    """Return whether a serial line may be in `service`, a full number."""
    return not is_standard(service) and service.lower() not in UPDATE_SERVICES


def choose(offered: Iterable[Characteristic], wishes: Wishes = Wishes()) -> Pair | None:
    """Return the serial pair among the characteristics `offered`, None where there is none.

    A pair within one service goes before one across services. Of several services the first is
    taken by: not a number allotted to a member of the Bluetooth SIG (those are published for
    something else), notify before indicate, write without response before write, lowest handle.
    Within a service: the same properties first, then a characteristic that does only this one
    thing, then the lowest handle. The same device always gives the same pair.
    """
    usable = [
        c for c in offered if may_be_serial(c.service) and wishes.service in ("", c.service.lower())
    ]
    listeners = [c for c in usable if c.listens() and wishes.read in ("", c.uuid.lower())]
    writers = [c for c in usable if c.writes() and wishes.write in ("", c.uuid.lower())]
    pairs = [
        Pair(min(inside, key=_listen_rank), min(into, key=_write_rank))
        for service in dict.fromkeys(c.service_handle for c in usable)
        if (inside := [c for c in listeners if c.service_handle == service])
        and (into := [c for c in writers if c.service_handle == service])
    ]
    if pairs:
        return min(pairs, key=_pair_rank)
    if not listeners or not writers:
        return None
    return Pair(
        min(listeners, key=lambda c: (_is_member(c.service), *_listen_rank(c))),
        min(writers, key=lambda c: (_is_member(c.service), *_write_rank(c))),
    )


def describe(offered: Iterable[Characteristic]) -> str:
    """Return what of `offered` might have been a serial line, in a few words."""
    vendor = [c for c in offered if may_be_serial(c.service)]
    if not vendor:
        return "it offers only standard services"
    named = [
        f"{short_uuid(c.service)}/{short_uuid(c.uuid)} "
        f"({', '.join(map(plain, sorted(c.properties))) or 'nothing'})"
        for c in vendor[:MOST_NAMED]
    ]
    more = f" and {len(vendor) - MOST_NAMED} more" if len(vendor) > MOST_NAMED else ""
    return f"it offers {'; '.join(named)}{more}"


def _is_member(service: str) -> bool:
    return service.lower().endswith(_BASE) and 0xFC00 <= int(service[:8], 16) <= 0xFEFF


def _listen_rank(c: Characteristic) -> tuple[bool, bool, int]:
    return LISTEN[0] not in c.properties, c.writes(), c.handle


def _write_rank(c: Characteristic) -> tuple[bool, bool, int]:
    return WRITE[0] not in c.properties, c.listens(), c.handle


def _pair_rank(pair: Pair) -> tuple[bool, bool, bool, int]:
    return (
        _is_member(pair.listen.service),
        LISTEN[0] not in pair.listen.properties,
        pair.with_response,
        pair.listen.service_handle,
    )
