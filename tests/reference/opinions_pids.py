"""Scapy's reading of service 01 against ours: every PID that it knows, bit by bit."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from scapy.contrib.automotive.obd.obd import OBD_S01_PR_Record

from obdlog.tables.decode import decode_pid
from obdlog.tables.lookups import lookup
from obdlog.tables.signals import Signal, by_pid, lengths
from tests.reference.opinions import Difference, code_text, is_near, patterns, same_unit, same_words

LISTS = ("XByteEnumField", "ByteEnumField")
"""Fields that are closed lists: compared as lists, not on patterns."""

CONTINUOUS = {"misfire", "fuelSystem", "fuel_system", "components"}

MONITORS = {
    "misfire": "MISFIRE", "fuelSystem": "FUEL", "fuel_system": "FUEL", "components": "CCM",
    "catalyst": "CAT", "heatedCatalyst": "HCAT", "evaporativeSystem": "EVAP",
    "secondaryAirSystem": "AIR", "acSystemRefrigerant": "ACRF_GPF", "oxygenSensor": "O2S",
    "oxygenSensorHeater": "HTR", "egr": "EGR",
}  # fmt: skip


LAYERS = {match["pid"]: layer for match, layer in OBD_S01_PR_Record.payload_guess}


def is_support(field: Any) -> bool:
    return field.name.endswith("_supported") and type(field).__name__ == "BitField"


def is_filler(field: Any) -> bool:
    return field.name.startswith("reserved") or is_support(field)


Placed = tuple[Any, int, int]


def placed(layer: Any) -> Iterator[Placed]:
    """Yield each field of a layer with its first bit (from the most significant) and width."""
    at = 0
    for field in layer().fields_desc:
        width = getattr(field, "size", 0) or int((field.sz or 0) * 8)
        if type(field).__name__ == "StrFixedLenField":
            width = field.length_from(None) * 8
        if type(field).__name__ == "PacketField":
            width = 16  # a trouble code
        yield field, at, width
        at += width


def place_of(signal: Signal) -> tuple[int, int]:
    first = signal.byte * 8 + (8 - signal.bit - signal.width if signal.span == 1 else 0)
    return first, signal.width


def differences(pid: int, layer: Any) -> Iterator[Difference]:
    """Yield every difference in the length, the support bits and the values of a PID."""
    fields = list(placed(layer))
    size = sum(width for _, _, width in fields) // 8
    ours = lengths(pid)
    if size not in ours:
        known = " or ".join(map(str, ours)) or "not in the table"
        yield Difference("01", f"{pid:02X}", "length", "", str(size), known)
        if not ours:
            return
    length = size if size in ours else ours[0]
    mine: dict[tuple[int, int], list[Signal]] = {}
    for signal in by_pid(pid):
        if length in signal.lengths:
            mine.setdefault(place_of(signal), []).append(signal)
    yield from support_differences(pid, fields, mine)
    for field, at, width in fields:
        if type(field).__name__ in LISTS:
            yield from list_differences(pid, field, mine[at, width][0])
    for data in patterns(length, f"{pid:02X}"):
        packet = layer((data + bytes(size))[: max(size, length)])
        readings = {r.signal: r.value for r in decode_pid(pid, data)}
        for field, at, width in fields:
            if is_filler(field) or type(field).__name__ in (*LISTS, "StrFixedLenField"):
                continue
            if pid in (0x01, 0x41) and type(field).__name__ == "FlagsField":
                found = monitor_differences(pid, packet, field, readings)
            else:
                found = value_differences(packet, field, mine.get((at, width), []), readings)
            for item, theirs, own in found:
                yield Difference("01", f"{pid:02X}", item, data.hex().upper(), theirs, own)


def support_differences(
    pid: int, fields: list[Placed], mine: Mapping[tuple[int, int], list[Signal]]
) -> Iterator[Difference]:
    """Yield differences in which bit supports which value.

    Scapy's support bits bear the name of their value, or stand in the opposite order.
    """
    bits = {f.name.removesuffix("_supported"): 7 - at for f, at, _ in fields if is_support(f)}
    values = [(f.name, mine.get((at, w), [])) for f, at, w in fields if not is_filler(f)]
    if not bits.keys() <= {name for name, _ in values}:
        bits = dict(zip([name for name, _ in values], list(bits.values())[::-1], strict=True))
    for name, signals in values:
        own = {s.support.mask.bit_length() - 1 if s.support else None for s in signals}
        if bits and signals and bits[name] not in own:
            said = " or ".join(f"bit {bit}" for bit in own)
            yield Difference("01", f"{pid:02X}", f"{name}: support", "", f"bit {bits[name]}", said)


def monitor_differences(
    pid: int, packet: Any, field: Any, readings: Mapping[str, Any]
) -> Iterator[tuple[str, str, str]]:
    """Yield differences in the readiness monitors: item, their reading, ours."""
    supported, complete = ("_SUP", "_RDY") if pid == 0x01 else ("_ENA", "_CMPL")
    for bit, monitor in enumerate(field.names):
        name = MONITORS[monitor] + (complete if "ready" in field.name else supported)
        theirs = bool(int(packet.getfieldval(field.name)) >> bit & 1)
        if name not in readings and monitor not in CONTINUOUS:
            continue  # a compression engine has other monitors, which Scapy does not know
        own = readings[name]
        if own is not None and own is not theirs:
            yield f"{field.name}: {monitor}", str(theirs).lower(), str(own).lower()


def value_differences(
    packet: Any, field: Any, signals: list[Signal], readings: Mapping[str, Any]
) -> Iterator[tuple[str, str, str]]:
    """Yield differences in one value: item, their reading, ours."""
    value, kind = packet.getfieldval(field.name), type(field).__name__
    if not signals:
        yield field.name, "read as one value", "no such field"
        return
    own = readings.get(signals[0].name)
    if own is None:
        return
    if kind == "FlagsField":
        names = re.findall(r"PID(\w\w)|Bank(\d)Sensor(\d)", str(value))
        theirs = " ".join(sorted(p or f"B{b}S{s}" for p, b, s in names)) or own[:0]
        if theirs != own.removeprefix("none"):
            yield field.name, theirs, own
    elif kind == "PacketField":
        if code_text(value) != own:
            yield field.name, code_text(value), own
    elif kind == "ScalingField":
        if not is_near(value, own, field):
            yield field.name, f"{value:g}", f"{own:g}"
        if not same_unit(field.unit, signals[0].unit):
            yield f"{field.name}: unit", field.unit, signals[0].unit
    elif value != own:
        yield field.name, str(value), str(own).lower()


def list_differences(pid: int, field: Any, signal: Signal) -> Iterator[Difference]:
    """Yield differences in a closed list, for each number that either side assigns."""
    theirs = {raw: text for raw, text in field.i2s.items() if text != "Reserved"}
    ours = {**lookup(signal.lookup), **dict.fromkeys(signal.absent, "not available")}
    for raw in sorted(theirs.keys() | ours.keys()):
        said, own = theirs.get(raw, "reserved"), ours.get(raw, "reserved")
        if not same_words(said, own):
            item = f"{field.name} {raw:02X}"
            yield Difference("01", f"{pid:02X}", item, f"{raw:02X}", said, own)
