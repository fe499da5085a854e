"""Service 09: identification of the vehicle and its modules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.layout import check_reply
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.services.text import is_text, printable

REPLY = 0x49

VIN, CALIBRATIONS, CVNS, SPARK_COUNTERS, ECU_NAME = 0x02, 0x04, 0x06, 0x08, 0x0A
COMPRESSION_COUNTERS, ENGINE_NUMBER = 0x0B, 0x0D
_MESSAGE_COUNTS = frozenset({0x01, 0x03, 0x05, 0x07, 0x09})

NAMES = {
    0x01: "messages that the vehicle identification number takes",
    VIN: "vehicle identification number",
    0x03: "messages that the calibration ids take",
    CALIBRATIONS: "calibration ids",
    0x05: "messages that the calibration verification numbers take",
    CVNS: "calibration verification numbers",
    0x07: "messages that the in-use counters take",
    SPARK_COUNTERS: "in-use monitor counters, spark ignition",
    0x09: "messages that the module's name takes",
    ECU_NAME: "name of the module",
    COMPRESSION_COUNTERS: "in-use monitor counters, compression ignition",
    ENGINE_NUMBER: "engine serial number",
}

SPARK_NAMES = (
    *("OBDCOND", "IGNCNTR", "CATCOMP1", "CATCOND1", "CATCOMP2", "CATCOND2"),
    *("O2SCOMP1", "O2SCOND1", "O2SCOMP2", "O2SCOND2", "EGRCOMP", "EGRCOND"),
    *("AIRCOMP", "AIRCOND", "EVAPCOMP", "EVAPCOND", "SO2SCOMP1", "SO2SCOND1"),
    *("SO2SCOMP2", "SO2SCOND2", "AFRICOMP1", "AFRICOND1", "AFRICOMP2", "AFRICOND2"),
    *("PFCOMP1", "PFCOND1", "PFCOMP2", "PFCOND2"),
)
COMPRESSION_NAMES = (
    *("OBDCOND", "IGNCNTR", "HCCATCOMP", "HCCATCOND", "NCATCOMP", "NCATCOND"),
    *("NADSCOMP", "NADSCOND", "PMCOMP", "PMCOND", "EGSCOMP", "EGSCOND"),
    *("EGRCOMP", "EGRCOND", "BPCOMP", "BPCOND", "FUELCOMP", "FUELCOND"),
)


@dataclass(frozen=True, slots=True)
class VehicleInfo:
    """One item of service 09.

    `items` are texts: a VIN, calibration ids, verification numbers in hex, a name. `counters`
    are (name, count) pairs. `supported` are the info types that a bitmap names. `count` is the
    number of messages of the odd info types on the older buses. `problem` says what is odd.
    """

    info_type: int
    items: tuple[str, ...] = ()
    counters: tuple[tuple[str, int], ...] = ()
    supported: tuple[int, ...] = ()
    count: int | None = None
    problem: str = ""

    @property
    def name(self) -> str:
        """What this info type holds, in words."""
        if self.info_type % BITMAP_STEP == 0:
            return "supported information types"
        return NAMES.get(self.info_type, f"information type {self.info_type:02X}")

    def ratios(self) -> dict[str, Fraction]:
        """Return completions by conditions met for each monitor that met any, by its name."""
        counts = dict(self.counters)
        return {
            name.replace("COMP", ""): Fraction(done, counts[name.replace("COMP", "COND")])
            for name, done in self.counters
            if "COMP" in name and counts.get(name.replace("COMP", "COND"))
        }


def parse_vehicle_info(payload: bytes, bus: Bus = Bus.CAN) -> VehicleInfo:
    """Return the item in a service 09 reply.

    On the older buses the messages of one reply are merged before: 49, info type, 01, all data.

    Raises
    ------
    DecodeError
        Not a service 09 reply, cut short, or not of whole items.

    References
    ----------
    SAE J1979, service 09: the third byte counts items on CAN and messages elsewhere.
    """
    check_reply(payload, REPLY, least=3)
    return parse_item(payload[1], payload[2:], bus)


def parse_item(info_type: int, body: bytes, bus: Bus) -> VehicleInfo:
    """Return the item whose info type is known; `body` is what follows the info type.

    Raises
    ------
    DecodeError
        Cut short, or not of whole items.
    """
    if not body:
        raise DecodeError("the reply ends after the information type")
    if info_type % BITMAP_STEP == 0:
        bits = body[1:] if bus is Bus.LEGACY and len(body) == 5 else body
        if len(bits) != 4:
            raise DecodeError("a support bitmap has 4 bytes", payload=body)
        return VehicleInfo(info_type, supported=supported_pids(info_type, bits))
    if info_type in _MESSAGE_COUNTS:
        return VehicleInfo(info_type, count=body[-1])
    parser = _PARSERS.get(info_type, _other)
    return parser(info_type, body, bus)


def _without_count(body: bytes, size: int, bus: Bus) -> tuple[bytes, int | None]:
    """Return the data and the item count; a body of exactly whole items has no count on CAN."""
    if bus is Bus.LEGACY:
        return body[1:], None
    if body and len(body) % size == 0:
        return body, None
    return body[1:], body[0]


def _vin(info_type: int, body: bytes, bus: Bus) -> VehicleInfo:
    data, _count = _without_count(body, 17, bus)
    text = printable(data)
    if not text:
        return VehicleInfo(info_type, (), problem="the module holds no VIN")
    problem = "" if len(text) == 17 else f"the VIN has {len(text)} of 17 characters"
    return VehicleInfo(info_type, (text,), problem=problem)


def _calibrations(info_type: int, body: bytes, bus: Bus) -> VehicleInfo:
    records, problem = _records(body, 16, bus)
    texts = tuple(printable(r) for r in records if r.strip(b"\0"))
    return VehicleInfo(info_type, texts, problem=problem)


def _cvns(info_type: int, body: bytes, bus: Bus) -> VehicleInfo:
    records, problem = _records(body, 4, bus)
    return VehicleInfo(info_type, tuple(r.hex().upper() for r in records), problem=problem)


def _records(body: bytes, size: int, bus: Bus) -> tuple[list[bytes], str]:
    data, count = _without_count(body, size, bus)
    records = [data[i : i + size] for i in range(0, len(data), size)]
    if not records:
        return [], "the reply holds no items"
    if len(records[-1]) != size:
        return records[:-1], f"the last item is cut short: {len(records[-1])} of {size} bytes"
    if count is not None and count != len(records):
        return records, f"the reply counts {count} items but carries {len(records)}"
    return records, ""


def _counters(info_type: int, body: bytes, bus: Bus) -> VehicleInfo:
    names = SPARK_NAMES if info_type == SPARK_COUNTERS else COMPRESSION_NAMES
    records, problem = _records(body, 2, bus)
    values = [int.from_bytes(r, "big") for r in records]
    if len(values) > len(names):
        extra = len(values) - len(names)
        problem = problem or f"{extra} counters beyond those of the standard are left out"
    return VehicleInfo(info_type, counters=tuple(zip(names, values, strict=False)), problem=problem)


def _text(info_type: int, body: bytes, bus: Bus) -> VehicleInfo:
    text = printable(body[1:] if body[:1] < b"\x20" or bus is Bus.LEGACY else body)
    return VehicleInfo(info_type, (text,) if text else ())


def _other(info_type: int, body: bytes, bus: Bus) -> VehicleInfo:
    if is_text(body[1:]):
        return _text(info_type, body, bus)
    return VehicleInfo(info_type, (body.hex().upper(),), problem="its layout is not known")


_Parser = Callable[[int, bytes, Bus], VehicleInfo]
_PARSERS: dict[int, _Parser] = {
    VIN: _vin,
    CALIBRATIONS: _calibrations,
    CVNS: _cvns,
    SPARK_COUNTERS: _counters,
    COMPRESSION_COUNTERS: _counters,
    ECU_NAME: _text,
    ENGINE_NUMBER: _text,
}
