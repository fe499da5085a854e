"""Service 09: identification of the vehicle and its modules."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.layout import check_reply, without_filler
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.services.text import is_text, printable
from obdlog.tables import info_types
from obdlog.tables.info_types import COMPLETED, CONDITIONS, InfoType
from obdlog.tables.lookups import lookup

REPLY = 0x49

VIN, CALIBRATIONS, CVNS, SPARK_COUNTERS, ECU_NAME = 0x02, 0x04, 0x06, 0x08, 0x0A
COMPRESSION_COUNTERS = 0x0B

_SPACE = 0x20
_BITMAP = 4


@dataclass(frozen=True, slots=True)
class InUseRatio:
    """How often a monitor completed a test, and how often conditions would have let it."""

    name: str
    monitor: str
    completed: int
    conditions: int

    @property
    def ratio(self) -> Fraction | None:
        """Completions by conditions; None where the conditions were never met."""
        return Fraction(self.completed, self.conditions) if self.conditions else None


@dataclass(frozen=True, slots=True)
class VehicleInfo:
    """One item of service 09.

    `items` are texts: a VIN, calibration ids, verification numbers in hex, a name. `counters`
    are (name, count) pairs, `unnamed` the counts after those that are public. `supported` are
    the info types that a bitmap names. `count` is the number of messages of the odd info types
    on the older buses. `number` is a value; None where the module says that it has none. `raw`
    are the bytes after the info type. `problem` says what is wrong with the reply, `note` what
    a reader has to know about a reply that is in order.
    """

    info_type: int
    items: tuple[str, ...] = ()
    counters: tuple[tuple[str, int], ...] = ()
    unnamed: tuple[int, ...] = ()
    supported: tuple[int, ...] = ()
    count: int | None = None
    number: int | None = None
    raw: bytes = field(default=b"", compare=False)
    problem: str = ""
    note: str = ""

    @property
    def known(self) -> InfoType | None:
        """What the table says of this info type, None where its layout is not public."""
        return info_types.info_types().get(self.info_type)

    @property
    def name(self) -> str:
        """What this info type holds, in words."""
        if self.info_type % BITMAP_STEP == 0:
            return "supported information types"
        return self.known.label if self.known else f"information type {self.info_type:02X}"

    def in_use(self) -> tuple[InUseRatio, ...]:
        """Return completions and conditions of each monitor that the reply counts whole."""
        counts = dict(self.counters)
        places = info_types.counters(self.known.list) if counts and self.known else ()
        met = {c.monitor: c.name for c in places if c.counts == CONDITIONS and c.monitor}
        return tuple(
            InUseRatio(
                place.name.replace("COMP", ""),
                place.monitor,
                counts[place.name],
                counts[met[place.monitor]],
            )
            for place in places
            if place.counts == COMPLETED and counts.keys() >= {place.name, met[place.monitor]}
        )

    def ratios(self) -> dict[str, Fraction]:
        """Return completions by conditions for each monitor that met any, by its name."""
        return {found.name: found.ratio for found in self.in_use() if found.ratio is not None}


def parse_vehicle_info(payload: bytes, bus: Bus = Bus.CAN) -> VehicleInfo:
    """Return the item in a service 09 reply.

    On the older buses the messages of one reply are merged before: 49, info type, 01, all data.

    Raises
    ------
    DecodeError
        Not a service 09 reply, or cut short.

    References
    ----------
    SAE J1979, service 09: the third byte counts items on CAN and messages elsewhere.
    """
    check_reply(payload, REPLY, least=3)
    return parse_item(payload[1], payload[2:], bus)


def parse_item(
    info_type: int, body: bytes, bus: Bus, *, count_may_lack: bool = False
) -> VehicleInfo:
    """Return the item whose info type is known; `body` is what follows the info type.

    `count_may_lack` is for OBD on UDS, whose item count is not settled: then the body may also
    be whole items, or begin with text.

    Raises
    ------
    DecodeError
        Cut short, or not a whole bitmap.
    """
    if not body:
        raise DecodeError("the reply ends after the information type")
    if info_type % BITMAP_STEP == 0:
        return VehicleInfo(info_type, supported=_bitmaps(info_type, body, bus), raw=body)
    if count_may_lack:
        body = with_count(info_type, body)
    kind = info_types.info_types().get(info_type)
    if kind is None:
        return _unknown(info_type, body, bus)
    return _PARSERS[kind.layout](kind, body, bus)


def with_count(info_type: int, body: bytes) -> bytes:
    """Return `body` with an item count in front, put there where it is whole items without.

    Bitmaps, counts of messages and information types of unknown layout stay as they are.
    """
    kind = info_types.info_types().get(info_type)
    bitmap = info_type % BITMAP_STEP == 0
    if not body or bitmap or kind is None or kind.layout == info_types.MESSAGE_COUNT:
        return body
    counted = len(_without_filler(kind, body)) == body[0] * kind.size
    if counted or (len(body) % kind.size and not _begins_with_text(kind, body)):
        return body
    return bytes([min(-(-len(body) // kind.size), 0xFF)]) + body


def _bitmaps(info_type: int, body: bytes, bus: Bus) -> tuple[int, ...]:
    """Return what one bitmap names, or on CAN several, each after its own info type."""
    if bus is Bus.LEGACY and len(body) == _BITMAP + 1:
        body = body[1:]  # the message number
    found = list(supported_pids(info_type, _whole(body[:_BITMAP])))
    rest = body[_BITMAP:]
    for at in range(0, len(rest), _BITMAP + 1):
        base, bits = rest[at], rest[at + 1 : at + 1 + _BITMAP]
        if base % BITMAP_STEP:
            raise DecodeError("a support bitmap has 4 bytes", payload=body)
        found += supported_pids(base, _whole(bits))
    return tuple(found)


def _whole(bits: bytes) -> bytes:
    if len(bits) != _BITMAP:
        raise DecodeError("a support bitmap has 4 bytes", payload=bits)
    return bits


@dataclass(frozen=True, slots=True)
class _Body:
    """Data without the byte in front; `count` is the item count that stood there."""

    data: bytes
    count: int | None = None
    problem: str = ""


def _body(kind: InfoType, body: bytes, bus: Bus) -> _Body:
    """Return the data of a reply without item count, message number and filler."""
    if bus is Bus.LEGACY:
        missing = f"the reply begins with message {body[0]}, not 1" if body[0] != 1 else ""
        return _Body(body[1:], None, missing)
    items = _without_filler(kind, body)
    if _begins_with_text(kind, body) and len(items) != body[0] * kind.size:
        return _Body(body)
    return _Body(items, body[0])


def _begins_with_text(kind: InfoType, body: bytes) -> bool:
    return kind.layout == info_types.TEXT and body[0] >= _SPACE


def _without_filler(kind: InfoType, body: bytes) -> bytes:
    """Return what follows the item count, without the filler of the last frame."""
    # A text padded in front is not cut: it may end in letters that look like filler.
    padded_in_front = kind.layout == info_types.TEXT and body[1:2] == b"\0"
    return body[1:] if padded_in_front else without_filler(body[1:], body[0] * kind.size)


def _records(kind: InfoType, found: _Body) -> tuple[list[bytes], str]:
    size, data, count = kind.size, found.data, found.count
    records = [data[i : i + size] for i in range(0, len(data), size)]
    if not records:
        return [], "the reply holds no items"
    if len(records[-1]) != size:
        return records[:-1], f"the last item is cut short: {len(records[-1])} of {size} bytes"
    if count is not None and count != len(records):
        return records, f"the reply counts {count} items but carries {len(records)}"
    return records, found.problem


def _message_count(kind: InfoType, body: bytes, _bus: Bus) -> VehicleInfo:
    return VehicleInfo(kind.id, count=body[-1], raw=body)


def _text(kind: InfoType, body: bytes, bus: Bus) -> VehicleInfo:
    found = _body(kind, body, bus)
    if kind.id == CALIBRATIONS:
        return _calibrations(kind, found, body)
    if found.count and found.count > 1 and len(found.data) == found.count * kind.size:
        parts = [found.data[i : i + kind.size] for i in range(0, len(found.data), kind.size)]
    else:
        parts = [found.data]
    texts = tuple(text for part in parts if (text := printable(part)))
    problem = found.problem
    if kind.id == VIN:
        problem = (
            (_vin_problem(parts, kind.size) or problem) if texts else "the module holds no VIN"
        )
    if not problem and found.count not in (None, len(parts)):
        problem = f"the reply counts {found.count} items but carries {len(parts)}"
    return VehicleInfo(kind.id, texts, raw=body, problem=problem)


def _vin_problem(parts: Sequence[bytes], size: int) -> str:
    for part in parts:
        stripped = part.strip(b"\0\xff ")
        if len(stripped) != size:
            return f"the VIN has {len(stripped)} of {size} characters"
        if not is_text(stripped):
            return "the VIN holds bytes that are no characters"
    return ""


def _calibrations(kind: InfoType, found: _Body, body: bytes) -> VehicleInfo:
    """Return ids in their places: the verification numbers stand in the same order."""
    records, problem = _records(kind, found)
    while records and not records[-1].strip(b"\0"):
        records.pop()
    return VehicleInfo(kind.id, tuple(printable(r) for r in records), raw=body, problem=problem)


def _hex(kind: InfoType, body: bytes, bus: Bus) -> VehicleInfo:
    records, problem = _records(kind, _body(kind, body, bus))
    return VehicleInfo(kind.id, tuple(r.hex().upper() for r in records), raw=body, problem=problem)


def _counters(kind: InfoType, body: bytes, bus: Bus) -> VehicleInfo:
    places = info_types.counters(kind.list)
    records, problem = _records(kind, _body(kind, body, bus))
    values = [int.from_bytes(r, "big") for r in records]
    unnamed = tuple(values[len(places) :])
    return VehicleInfo(
        kind.id,
        counters=tuple((p.name, v) for p, v in zip(places, values, strict=False)),
        unnamed=unnamed,
        raw=body,
        problem=problem,
        note=f"what the last {len(unnamed)} counters count is not public" if unnamed else "",
    )


def _number(kind: InfoType, body: bytes, bus: Bus) -> VehicleInfo:
    records, problem = _records(kind, _body(kind, body, bus))
    if bus is Bus.LEGACY and records:
        # Each message of the older buses has four bytes; short data are padded in front.
        records, problem = [b"".join(records)[-kind.size :]], ""
    if not records:
        return VehicleInfo(kind.id, raw=body, problem=problem)
    value = int.from_bytes(records[0], "big")
    absent = kind.unavailable is not None and value == kind.unavailable
    if kind.layout == info_types.NUMBER:
        return VehicleInfo(
            kind.id,
            number=None if absent else value,
            raw=body,
            problem=problem,
            note="not available: not judged since clearing" if absent else "",
        )
    words = lookup(kind.list).get(value)
    return VehicleInfo(
        kind.id, (words or f"reserved ({value:02X})",), number=value, raw=body, problem=problem
    )


def _unknown(info_type: int, body: bytes, _bus: Bus) -> VehicleInfo:
    data = body[1:] if body[0] < _SPACE else body
    texts = (printable(data),) if is_text(data) else ()
    return VehicleInfo(
        info_type, texts, raw=body, note="the layout of this information type is not public"
    )


_PARSERS: dict[str, Callable[[InfoType, bytes, Bus], VehicleInfo]] = {
    info_types.MESSAGE_COUNT: _message_count,
    info_types.TEXT: _text,
    info_types.HEX: _hex,
    info_types.COUNTERS: _counters,
    info_types.NUMBER: _number,
    info_types.CHOICE: _number,
}
