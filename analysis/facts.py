"""What is known of the vehicle besides its readings, and who said so."""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from typing import Any

from analysis.data import SessionData
from obdlog.errors import AnalysisError

PETROL = "petrol"
DIESEL = "diesel"
OTHER = "other"

FUELS: Mapping[str, str] = {
    "petrol": PETROL, "gasoline": PETROL, "e10": PETROL, "e5": PETROL,
    "diesel": DIESEL,
    "ethanol": OTHER, "e85": OTHER, "methanol": OTHER, "lpg": OTHER, "cng": OTHER,
    "propane": OTHER, "electric": OTHER, "hydrogen": OTHER, "other": OTHER,
}  # fmt: skip
"""Names that a user may give a fuel, and the family whose rules apply."""

FUEL_OF_CODE: Mapping[int, str] = {1: PETROL, 9: PETROL, 0x11: PETROL, 4: DIESEL, 0x13: DIESEL}
"""SAE J1979 PID 51: petrol, bi-fuel now on petrol, hybrid petrol; diesel, hybrid diesel."""

HYBRID_CODES = frozenset({0x10, 0x11, 0x12, 0x13, 0x14, 0x15, 0x16})

_LIMITS = {
    "displacement_l": (0.05, 30.0),
    "altitude_m": (-500.0, 6_000.0),
    "soak_h": (0.0, 100_000.0),
}


@dataclass(frozen=True, slots=True)
class VehicleFacts:
    """Facts that checks need and readings do not hold; None or empty means not known.

    Attributes
    ----------
    fuel
        ``petrol``, ``diesel``, ``other`` or empty; `fuel_source` says who said so.
    displacement_l
        Engine displacement [L].
    altitude_m
        Where the session began [m].
    gearbox
        ``manual``, ``automatic``, ``cvt`` or empty.
    boosted
        Whether the engine has a turbocharger or compressor.
    hybrid
        Whether an electric motor drives the car too.
    soak_h
        How long the engine was off before this session [h], by the user's statement.
    """

    fuel: str = ""
    fuel_source: str = ""
    displacement_l: float | None = None
    altitude_m: float | None = None
    gearbox: str = ""
    boosted: bool | None = None
    hybrid: bool | None = None
    soak_h: float | None = None

    @classmethod
    def from_session(
        cls, data: SessionData, overrides: Mapping[str, object] | None = None
    ) -> VehicleFacts:
        """Return the facts of `data`: overrides first, then its header, then its readings.

        The fuel comes from the user or the header, else from PID 51, else from the ignition bit
        of PID 01, else it is not known. What the header says is ignored where it makes no sense;
        among the overrides that is an error.

        Raises
        ------
        AnalysisError
            When a fact is of the wrong kind or out of bounds.
        """
        names = {f.name for f in fields(cls)} - {"fuel_source"}
        given = dict(overrides or {})
        unknown = given.keys() - names
        if unknown:
            raise AnalysisError(
                f"unknown vehicle fact {', '.join(sorted(unknown))}",
                hint="known are " + ", ".join(sorted(names)),
            )
        merged: dict[str, Any] = {}
        for name in names & data.vehicle.keys():
            with suppress(AnalysisError):
                merged[name] = _checked(name, data.vehicle[name])
        for name, value in given.items():
            if value is not None and value != "":
                merged[name] = _checked(name, value)
        facts = cls(**merged)
        if facts.fuel:
            who = "stated by the user" if given.get("fuel") else "stated in the session's header"
            return replace(facts, fuel_source=who)
        return _with_read_fuel(facts, data)


def _with_read_fuel(facts: VehicleFacts, data: SessionData) -> VehicleFacts:
    codes = data.samples("FUEL_TYPE")
    if codes.count and codes.value[-1] > 0:
        code = int(codes.value[-1])
        hybrid = True if facts.hybrid is None and code in HYBRID_CODES else facts.hybrid
        return replace(
            facts,
            fuel=FUEL_OF_CODE.get(code, OTHER),
            fuel_source=f"PID 51 says type {code}",
            hybrid=hybrid,
        )
    ignition = data.samples("IGN_TYPE")
    if ignition.count:
        compression = bool(ignition.value[-1])
        return replace(
            facts,
            fuel=DIESEL if compression else PETROL,
            fuel_source="ignition bit of PID 01: "
            + ("compression" if compression else "spark, taken as petrol"),
        )
    return facts


def _checked(name: str, value: Any) -> Any:
    if name in _LIMITS:
        low, high = _LIMITS[name]
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not math.isfinite(value) or not low <= value <= high:
            raise AnalysisError(f"{name} must be a number from {low:g} to {high:g}")
        return float(value)
    if name in ("boosted", "hybrid"):
        if not isinstance(value, bool):
            raise AnalysisError(f"{name} must be true or false")
        return value
    if not isinstance(value, str):
        raise AnalysisError(f"{name} must be text")
    text = value.strip().lower()
    if name == "fuel":
        if text not in FUELS:
            raise AnalysisError(
                f"fuel {value[:40]!r} is not known", hint="known are " + ", ".join(FUELS)
            )
        return FUELS[text]
    if text not in ("manual", "automatic", "cvt"):
        raise AnalysisError("gearbox must be manual, automatic or cvt")
    return text
