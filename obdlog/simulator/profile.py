"""Cars as data: strict loading of ``profiles/*.toml`` into frozen records."""

from __future__ import annotations

from importlib import resources
from typing import Literal

import msgspec

from obdlog.errors import LinkOpenError, OpenFailure, TableError
from obdlog.simulator.buses import BUSES, BusKind
from obdlog.simulator.module_spec import ModuleSpec
from obdlog.simulator.parts import Manners, Part
from obdlog.tables.context import EMPTY, Context

DRIVE_PREFIX = "drive-"
"""Profiles whose file name begins like this are drives, not cars."""


class Engine(Part, frozen=True):
    """The engine: `needed_trim_pct` is the fuel correction that the mixture really needs [%]."""

    kind: Literal["spark", "compression"]
    displacement_l: float
    idle_rpm: float = 750.0
    compression_ratio: float = 10.5
    needed_trim_pct: float = 1.5
    charging: Literal["fixed", "smart"] = "fixed"


class Body(Part, frozen=True):
    """What the engine has to move, and through which gears."""

    mass_kg: float = 1380.0
    drag_area_m2: float = 0.68
    rolling: float = 0.011
    wheel_radius_m: float = 0.308
    final_drive: float = 3.94
    gears: tuple[float, ...] = (3.55, 2.05, 1.39, 1.05, 0.87, 0.74)


class Conditions(Part, frozen=True):
    """State of the car and the day when the simulation begins."""

    ambient_c: float = 19.0
    coolant_c: float = 19.0
    baro_kpa: float = 99.0
    fuel_level_pct: float = 62.0
    tank_l: float = 50.0
    rest_v: float = 12.56
    long_trim_pct: float = 1.6
    soak_h: float = 10.0


class Faults(Part, frozen=True):
    """Faults that are present; `maf` and `iat` say how the circuit reads."""

    maf: Literal["none", "low"] = "none"
    iat: Literal["none", "open"] = "none"


class Counters(Part, frozen=True):
    """Counters since the last erase, as they stand when the simulation begins."""

    warm_ups: int = 60
    distance_km: float = 2400.0
    minutes: float = 2900.0
    lamp_distance_km: float = 0.0
    lamp_minutes: float = 0.0


class CodeSpec(Part, frozen=True):
    """A code that is stored, or that would be set while its cause is `present`.

    `after_s` counts seconds of ``when``: with the key on, of the running engine, or never by
    time alone (``monitor``: when that monitor has run). `failure_type` is the third byte of the
    code where a unit speaks ISO 14229-1; `severity`, `readiness_group` and `records` (number →
    data, hex) are for cars after SAE J1979-2.
    """

    code: str
    failure_type: int = 0
    confirmed: bool = False
    pending: bool = False
    permanent: bool = False
    lamp: bool = True
    present: bool = False
    when: Literal["key-on", "running", "monitor"] = "running"
    after_s: float = 30.0
    trips: int = 1
    monitor: str = "components"
    severity: int = 0x02
    readiness_group: int = 0
    records: dict[str, str] = {}  # noqa: RUF012 (msgspec copies it)


class FrameSpec(Part, frozen=True):
    """A stored freeze frame: the code that owns it and its signals."""

    code: str
    values: dict[str, float]


class TestSpec(Part, frozen=True):
    """A Service 06 result on CAN; raw numbers, as an ECU holds them."""

    mid: int
    tid: int
    uasid: int
    value: int
    low: int
    high: int
    monitor: str = "components"


class LegacyTestSpec(Part, frozen=True):
    """A Service 06 result on the older buses: limit type in bit 7 of `component`."""

    tid: int
    component: int
    value: int
    limit: int
    monitor: str = "components"


class OxygenTestSpec(Part, frozen=True):
    """A Service 05 result: constants have no limits."""

    tid: int
    sensor: int
    value: int
    low: int | None = None
    high: int | None = None


class EcuSpec(Part, frozen=True):
    """One ECU: `address` is its response identifier (``7E8``) or its node (``10``).

    `pid_13` or `pid_1d` say which oxygen sensors there are (bank 1, sensors 1 and 2 by default),
    `pid_4f` and `pid_50` which full scales replace the standard ones; 0 keeps those. After SAE
    J1979-2, one request may hold `most_identifiers`, and `counts_items` says whether a count stands
    before vehicle information.
    """

    address: str
    role: Literal["engine", "transmission"]
    name: str
    pids: tuple[int, ...]
    services: tuple[int, ...]
    calibrations: tuple[str, ...] = ()
    cvns: tuple[str, ...] = ()
    latency_ms: float = 12.0
    monitors: tuple[str, ...] = ()
    incomplete: tuple[str, ...] = ()
    obd_requirement: int = 1
    pid_13: int = 0x03
    pid_1d: int = 0
    pid_4f: tuple[int, int, int, int] = (0, 0, 0, 0)
    pid_50: tuple[int, int, int, int] = (0, 0, 0, 0)
    code: tuple[CodeSpec, ...] = ()
    freeze_frame: FrameSpec | None = None
    test: tuple[TestSpec, ...] = ()
    legacy_test: tuple[LegacyTestSpec, ...] = ()
    oxygen_test: tuple[OxygenTestSpec, ...] = ()
    performance: tuple[int, ...] = ()
    engine_serial_number: str = ""
    type_approval: str = ""
    evap_distance_km: int | None = None
    most_identifiers: int = 6
    counts_items: bool = False
    manners: Manners = Manners()

    @property
    def context(self) -> Context:
        """What this ECU says of itself that changes the meaning of its other data."""
        said = {
            0x13: bytes([self.pid_13]),
            0x1D: bytes([self.pid_1d]),
            0x4F: bytes(self.pid_4f),
            0x50: bytes(self.pid_50),
        }
        context = EMPTY
        for pid, data in said.items():
            if pid in self.pids:
                context = context.updated(pid, data)
        return context


class Timeline(Part, frozen=True):
    """What the driver does by himself: see ``docs/simulator.md``."""

    drive: str = "road-test"
    start_after_clear_s: float = 5.0


class Profile(Part, frozen=True):
    """A car as a whole: `generation` is SAE J1979 or J1979-2.

    `scenario` is the file's name without its ending.
    """

    title: str
    description: str
    bus: str
    vin: str
    engine: Engine
    ecu: tuple[EcuSpec, ...]
    generation: Literal["classic", "on-uds"] = "classic"
    module: tuple[ModuleSpec, ...] = ()
    body: Body = Body()
    conditions: Conditions = Conditions()
    faults: Faults = Faults()
    counters: Counters = Counters()
    timeline: Timeline = Timeline()
    personality: str = "plain"
    scenario: str = ""

    @property
    def bus_kind(self) -> BusKind:
        """The bus that the car speaks."""
        return BUSES[self.bus]


def _texts() -> dict[str, str]:
    folder = resources.files("obdlog.simulator") / "profiles"
    return {
        item.name.removesuffix(".toml"): item.name
        for item in folder.iterdir()
        if item.name.endswith(".toml")
    }


def read_profile_text(file_name: str) -> str:
    """Return the text of a file in the package's ``profiles`` folder."""
    folder = resources.files("obdlog.simulator") / "profiles"
    return (folder / file_name).read_text(encoding="utf-8")


def scenario_names() -> tuple[str, ...]:
    """Return the names of all simulated cars, sorted."""
    return tuple(sorted(name for name in _texts() if not name.startswith(DRIVE_PREFIX)))


def drive_names() -> tuple[str, ...]:
    """Return the names of all drives, sorted."""
    names = (name for name in _texts() if name.startswith(DRIVE_PREFIX))
    return tuple(sorted(name.removeprefix(DRIVE_PREFIX) for name in names))


def parse_profile(text: str, *, name: str) -> Profile:
    """Return the car that the TOML `text` describes.

    Raises
    ------
    TableError
        The text is not TOML, has an unknown key or a wrong type, or names an unknown bus.
    """
    try:
        profile = msgspec.toml.decode(text, type=Profile)
    except (msgspec.DecodeError, ValueError) as error:
        raise TableError(str(error), file=f"{name}.toml") from error
    if profile.bus not in BUSES:
        known = ", ".join(sorted(BUSES))
        raise TableError(f"bus {profile.bus!r} is not one of {known}", file=f"{name}.toml")
    if not profile.ecu:
        raise TableError("a car needs at least one ECU", file=f"{name}.toml")
    if profile.generation == "on-uds" and not profile.bus_kind.is_can:
        raise TableError("OBD on UDS needs CAN", file=f"{name}.toml")
    if profile.module and not profile.bus_kind.is_can:
        raise TableError(f"a car on {profile.bus} has no CAN modules", file=f"{name}.toml")
    return msgspec.structs.replace(profile, scenario=name)


def load_profile(scenario: str) -> Profile:
    """Return the car of that name.

    Raises
    ------
    LinkOpenError
        There is no such scenario; the message lists those there are.
    """
    names = scenario_names()
    if scenario not in names:
        raise LinkOpenError(
            f"there is no simulated car {scenario[:40]!r}",
            reason=OpenFailure.BAD_URL,
            hint="choose one of: " + ", ".join(names),
        )
    return parse_profile(read_profile_text(f"{scenario}.toml"), name=scenario)


def scenarios() -> dict[str, str]:
    """Return every simulated car's name and one-line description."""
    return {name: load_profile(name).title for name in scenario_names()}
