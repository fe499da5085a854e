"""What a list of exchanges says about who the modules are and how often their monitors run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from obdlog import survey
from obdlog.addresses import module_name
from obdlog.errors import DecodeError
from obdlog.model import UNKNOWN_SOURCE, Bus, Exchange
from obdlog.modules import Language
from obdlog.services.identification import Item
from obdlog.services.obd_on_uds import classic_exchange
from obdlog.services.vehicle_info import (
    CALIBRATIONS,
    COMPRESSION_COUNTERS,
    CVNS,
    ECU_NAME,
    SPARK_COUNTERS,
    VIN,
    VehicleInfo,
    parse_vehicle_info,
)

VIN_KEY, VIN_LENGTH = "vin", 17

IN_USE_TYPES = (SPARK_COUNTERS, COMPRESSION_COUNTERS)
"""Info types of in-use counters."""


@dataclass(frozen=True, slots=True)
class ModuleIdentity:
    """What one module says of itself; `supported` are the service 01 PIDs that it announces.

    `counters` and `other` are the in-use counters and all further items of service 09.
    `identification` is what it says under F1xx (or 1A of ISO 14230-3), `request` and `language`
    where it was asked and what it speaks.
    """

    address: str
    name: str
    ecu_name: str | None
    vin: str | None
    calibrations: tuple[str, ...]
    cvns: tuple[str, ...]
    supported: tuple[int, ...]
    counters: tuple[VehicleInfo, ...] = ()
    other: tuple[VehicleInfo, ...] = ()
    identification: tuple[Item, ...] = ()
    request: str | None = None
    language: Language | None = None


def survey_vehicle(exchanges: Sequence[Exchange], bus: Bus) -> tuple[ModuleIdentity, ...]:
    """Return the identity of each module that answered anything, in address order.

    A VIN of service 09 goes before one of F190 or 1A 90.
    """
    bitmaps = survey.supported(exchanges)
    asked = survey.without_polls(exchanges)
    identifications = survey.survey_identification(asked)
    shown = [classic_exchange(exchange) for exchange in asked]
    identities: list[ModuleIdentity] = []
    for address in survey.addresses(exchanges):
        identity = ModuleIdentity(
            address,
            module_name(address),
            None,
            None,
            (),
            (),
            tuple(sorted(bitmaps.get(address, frozenset()) - survey.BITMAP_PIDS)),
        )
        for exchange in shown:
            if exchange.request.service != 0x09:
                continue
            for message in exchange.positive():
                if message.source != address:
                    continue
                try:
                    info = parse_vehicle_info(message.payload, bus)
                except DecodeError:
                    continue
                identity = _with_info(identity, info)
        identification = identifications.get(address, ())
        identities.append(
            replace(
                identity,
                vin=identity.vin or _vin_in(identification),
                identification=identification,
                request=survey.request_of(asked, address),
                language=survey.language_of(asked, address),
            )
        )
    return tuple(identities)


def _vin_in(identification: Sequence[Item]) -> str | None:
    """Return the VIN of F190 or 1A 90, None where none is whole."""
    texts = (item.text for item in identification if item.key == VIN_KEY)
    return next((text for text in texts if text and len(text) == VIN_LENGTH), None)


def _with_info(identity: ModuleIdentity, info: VehicleInfo) -> ModuleIdentity:
    if info.info_type == VIN and info.items:
        return replace(identity, vin=info.items[0])
    if info.info_type == CALIBRATIONS:
        return replace(identity, calibrations=_beside(identity, identity.calibrations, info.items))
    if info.info_type == CVNS:
        return replace(identity, cvns=_beside(identity, identity.cvns, info.items))
    if info.info_type == ECU_NAME and info.items:
        return replace(identity, ecu_name=info.items[0])
    if info.info_type in IN_USE_TYPES:
        return replace(identity, counters=(info,))
    if info.info_type in (0x00, VIN, ECU_NAME) or info.supported or info.count is not None:
        return identity
    kept = (i for i in identity.other if i.info_type != info.info_type)
    return replace(identity, other=tuple(sorted((*kept, info), key=lambda i: i.info_type)))


def survey_in_use(exchanges: Sequence[Exchange], bus: Bus) -> dict[str, VehicleInfo]:
    """Return per module its in-use counters (service 09, info types 08 and 0B)."""
    return {m.address: m.counters[0] for m in survey_vehicle(exchanges, bus) if m.counters}


def _beside(
    identity: ModuleIdentity, held: tuple[str, ...], new: tuple[str, ...]
) -> tuple[str, ...]:
    """Return `new`; beside what is `held` where several modules answer under one address."""
    if identity.address != UNKNOWN_SOURCE:
        return new
    return tuple(dict.fromkeys((*held, *new)))


def vin_of(exchanges: Sequence[Exchange], bus: Bus) -> str | None:
    """Return the first VIN that a module reported; by the legislated service, if any did."""
    modules = survey_vehicle(exchanges, bus)
    alone = {m.address for m in modules if m.vin and m.vin == _vin_in(m.identification)}
    ordered = sorted((m for m in modules if m.vin), key=lambda m: m.address in alone)
    return next((m.vin for m in ordered), None)
