"""Service 22 of ISO 14229-1, where its identifiers carry SAE J1979 data (F4xx, F8xx, F190)."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.services import vehicle_info
from obdlog.services.current_data import readings_of
from obdlog.services.layout import check_reply, split_items
from obdlog.tables import decode, signals

REPLY = 0x62
_CURRENT_DATA = 0xF4
_VEHICLE_INFO = 0xF8
_VIN = 0xF190


@dataclass(frozen=True, slots=True)
class Identified:
    """What a service 22 reply carries; `data` are the bytes where nothing else is known."""

    identifier: str
    data: bytes
    readings: tuple[Reading, ...] = ()
    info: vehicle_info.VehicleInfo | None = None


def parse_identifiers(payload: bytes, context: decode.Context = decode.EMPTY) -> Identified:
    """Return the readings or information of a service 22 reply.

    Raises
    ------
    DecodeError
        Not a service 22 reply, cut short, or of unknown lengths.

    References
    ----------
    ISO 14229-1, identifiers F400–F4FF, F800–F8FF and F190; SAE J1979-2 (from memory).
    """
    check_reply(payload, REPLY, least=4)
    identifier = int.from_bytes(payload[1:3], "big")
    family, low = payload[1], payload[2]
    data = payload[3:]
    name = f"{identifier:04X}"
    if family == _CURRENT_DATA:
        items = split_items(payload[1:], _lengths, id_bytes=2)
        pairs = [(found & 0xFF, value) for found, value in items]
        return Identified(name, data, readings_of(pairs, context, Bus.CAN))
    if family == _VEHICLE_INFO:
        return Identified(name, data, info=vehicle_info.parse_item(low, data, Bus.CAN))
    if identifier == _VIN:
        if len(data) != 17:
            raise DecodeError(f"the VIN has {len(data)} of 17 characters", payload=payload)
        return Identified(name, data, info=vehicle_info.parse_item(0x02, data, Bus.CAN))
    return Identified(name, data)


def _lengths(identifier: int) -> tuple[int, ...]:
    return signals.lengths(identifier & 0xFF) if identifier >> 8 == _CURRENT_DATA else ()
