"""Readiness of the on-board monitors (PID 01 since clearing, PID 41 this drive).

The bits stand in the signal table; this module gives them their names and one record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from obdlog.model import Value
from obdlog.tables.decode import decode_pid
from obdlog.tables.encode import encode_pid

Ignition = Literal["spark", "compression"]

SINCE_CLEAR_PID: Final = 0x01
THIS_DRIVE_PID: Final = 0x41

_CONTINUOUS: Final = {"misfire": "MISFIRE", "fuel-system": "FUEL", "components": "CCM"}
_SPARK: Final = {
    "catalyst": "CAT",
    "heated-catalyst": "HCAT",
    "evaporative-system": "EVAP",
    "secondary-air": "AIR",
    "ac-refrigerant-or-gpf": "ACRF_GPF",
    "oxygen-sensor": "O2S",
    "oxygen-sensor-heater": "HTR",
    "egr-vvt": "EGR",
}
_COMPRESSION: Final = {
    "nmhc-catalyst": "NMHC",
    "nox-scr": "NOX",
    "boost-pressure": "BOOST",
    "exhaust-gas-sensor": "EGS",
    "pm-filter": "PM",
    "egr-vvt": "EGR",
}
_ENDINGS: Final = {SINCE_CLEAR_PID: ("SUP", "RDY"), THIS_DRIVE_PID: ("ENA", "CMPL")}


@dataclass(frozen=True, slots=True)
class Monitor:
    """One monitor. In PID 41 `supported` means enabled in this drive.

    `complete` is None where the monitor is not supported: its bit then means nothing.
    """

    name: str
    supported: bool
    complete: bool | None


@dataclass(frozen=True, slots=True)
class MonitorStatus:
    """Lamp, number of codes and monitors of one ECU; PID 41 carries no lamp and no count."""

    lamp: bool
    code_count: int
    ignition: Ignition
    monitors: tuple[Monitor, ...]

    def incomplete(self) -> tuple[Monitor, ...]:
        """Return the supported monitors that have not completed."""
        return tuple(m for m in self.monitors if m.supported and m.complete is False)


def monitor_names(ignition: Ignition) -> tuple[str, ...]:
    """Return the names of the monitors that an ignition's map holds, in bit order."""
    return tuple(_stems(ignition))


def decode_monitors(data: bytes, *, this_drive: bool = False) -> MonitorStatus:
    """Return the readiness in the four data bytes of PID 01, or of PID 41 (`this_drive`).

    Raises
    ------
    DecodeError
        The data are not four bytes.
    """
    pid = THIS_DRIVE_PID if this_drive else SINCE_CLEAR_PID
    values = {reading.signal: reading.value for reading in decode_pid(pid, data)}
    told = values["IGN_TYPE_DRIVE" if this_drive else "IGN_TYPE"]
    ignition: Ignition = "compression" if told == "compression" else "spark"
    supported, complete = _ENDINGS[pid]
    count = values.get("DTC_CNT")
    return MonitorStatus(
        lamp=values.get("MIL") is True,
        code_count=count if isinstance(count, int) else 0,
        ignition=ignition,
        monitors=tuple(
            Monitor(
                name=name,
                supported=values[f"{stem}_{supported}"] is True,
                complete=_yes_no(values[f"{stem}_{complete}"]),
            )
            for name, stem in _stems(ignition).items()
        ),
    )


def encode_monitors(status: MonitorStatus, *, this_drive: bool = False) -> bytes:
    """Return the four data bytes of PID 01, or of PID 41 (`this_drive`).

    Monitors that the status does not list are not supported.

    Raises
    ------
    ValueError
        A monitor does not exist for the status's ignition.
    """
    pid = THIS_DRIVE_PID if this_drive else SINCE_CLEAR_PID
    stems = _stems(status.ignition)
    supported, complete = _ENDINGS[pid]
    values: dict[str, Value] = {"IGN_TYPE_DRIVE" if this_drive else "IGN_TYPE": status.ignition}
    if not this_drive:
        values |= {"MIL": status.lamp, "DTC_CNT": status.code_count}
    for monitor in status.monitors:
        stem = stems.get(monitor.name)
        if stem is None:
            raise ValueError(f"no monitor {monitor.name!r} with {status.ignition} ignition")
        values[f"{stem}_{supported}"] = monitor.supported
        if monitor.supported:
            values[f"{stem}_{complete}"] = monitor.complete is not False
    return encode_pid(pid, values)


def _yes_no(value: Value) -> bool | None:
    return value if isinstance(value, bool) else None


def _stems(ignition: Ignition) -> dict[str, str]:
    return _CONTINUOUS | (_COMPRESSION if ignition == "compression" else _SPARK)
