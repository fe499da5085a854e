"""How values and verdicts are written in a report: words with symbols, never colour alone."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from analysis.findings import COUNTS
from obdlog import units
from obdlog.addresses import titled

if TYPE_CHECKING:
    from analysis.findings import Expected

NO_BREAK: Final = "\u00a0"

MET: Final = {True: "✓\u00a0met", False: "✗\u00a0not\u00a0met", None: "?\u00a0not\u00a0known"}
REPAIR: Final = {
    "proven": "✓ proven",
    "not-proven": "… not proven yet",
    "contradicted": "✗ contradicted",
}
SEVERITY: Final = {
    "info": "for information",
    "watch": "! watch",
    "attention": "!! attention",
    "stop": "!!! stop",
}
JUDGEMENT: Final = {
    "fault": "fault",
    "after-effect": "after-effect of the work",
    "follow-on": "follows from another code",
    "past": "past",
    "undecided": "undecided",
}
LAMP: Final = {True: "● on", False: "○ off", None: "not read"}
ASKS: Final = {True: "● asks for its lamp", False: "○ asks for no lamp"}
"""Of a module that tells by its codes alone whether it wants its lamp lit."""

SYSTEMS: Final = {
    "restraints": "Restraints (airbags, belt tensioners): licensed practice only. Ignition off, "
    "battery disconnected, the waiting time that the maker states; no ohmmeter on their circuits.",
    "brakes": "Brakes and stability: licensed practice. A red brake lamp or a soft pedal means: do "
    "not drive, whatever a module says.",
    "steering": "Steering: licensed practice. A heavy or pulling wheel means: do not drive.",
    "high-voltage": "High voltage: trained people only. Orange cables stay untouched; no erased "
    "code makes them safe.",
}
"""Cautions by the system that a module looks after (common practice, no source)."""

TEST: Final = {"pass": "✓ pass", "fail": "✗ fail", "not-run": "– not run"}

MONITORS: Final = {
    "egr-vvt": "exhaust gas recirculation or valve timing",
    "ac-refrigerant": "air-conditioning refrigerant",
    "nmhc-catalyst": "oxidation catalyst (NMHC)",
    "nox-scr": "nitrogen oxide treatment",
    "pm-filter": "particulate filter",
}
"""Monitors whose own name (SAE J1979 PID 01) does not explain itself."""

FACTS: Final = {
    "displacement_l": ("Engine displacement, as stated", "L"),
    "altitude_m": ("Altitude, as stated", "m"),
    "soak_h": ("Rest before the drive, as stated", "h"),
}
"""Labels and units of facts that a user states of the vehicle."""

KEPT_OF_VIN = 11
"""The first eleven characters tell the type; the last six the single vehicle (49 CFR 565.15)."""


def number(
    value: object,
    unit: str = "",
    *,
    limits: Collection[float | None] = (),
    exact: bool = False,
) -> str:
    """Return a value with its unit as people write it; a dash where there is none.

    Parameters
    ----------
    limits
        What it is compared with, from which it must stay apart.
    exact
        Keep six figures: a maker's own test may have a scale that is finer than its unit.
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        if exact and value != int(value):
            text = f"{value:.6g}"
        else:
            text = units.rounded(value, unit, limits=limits)
        whole, dot, rest = text.partition(".")
        grouped = f"{int(whole):,}" if whole.isdigit() and abs(value) >= 1000 else whole
        text = (grouped + dot + rest).replace(",", "\u202f").replace("-", "−")
        shown = units.shown(unit) if unit in units.UNITS else unit
        return f"{text}\u00a0{shown}" if shown else text
    return str(value)


def duration(seconds: float | None) -> str:
    """Return a length of time as minutes and seconds, or hours and minutes."""
    if seconds is None or not math.isfinite(seconds):
        return "not known"
    whole = round(seconds)
    if whole < 120:
        return f"{whole}\u00a0s"
    if whole < 3600:
        return f"{whole // 60}\u00a0min {whole % 60:02d}\u00a0s"
    return f"{whole // 3600}\u00a0h {whole % 3600 // 60:02d}\u00a0min"


def span(low: float | None, high: float | None, unit: str, *, exact: bool = False) -> str:
    """Return an expected range in words."""
    if low is None and high is None:
        return "–"
    if low is None:
        if high == 0 and unit in COUNTS:
            return "none"
        return f"at most {number(high, unit, exact=exact)}"
    least = number(low, unit, exact=exact)
    if high is None:
        return f"at least {least}"
    return f"{least.partition(NO_BREAK)[0]} to {number(high, unit, exact=exact)}"


def measured(values: Mapping[str, Any], expected: Expected) -> str:
    """Return what a finding measured: its value and what that is."""
    if "value" not in values:
        return "–"
    unit = str(values.get("unit") or "")
    text = number(values["value"], unit, limits=(expected.low, expected.high))
    return f"{text} ({values['what']})" if values.get("what") else text


def masked_vin(vin: str) -> str:
    """Return the vehicle number without the part that tells the single vehicle."""
    return vin[:KEPT_OF_VIN] + "•" * max(0, len(vin) - KEPT_OF_VIN)


def module_name(module: Mapping[str, Any]) -> str:
    """Return a module's name with its address."""
    name, address = str(module.get("name") or ""), str(module.get("address") or "")
    return titled(name, address) if name and address and name != address else name or address


def lamp(module: Mapping[str, Any]) -> str:
    """Return what a module says of the lamp: the engine lamp, or one that its codes ask for."""
    if module.get("lamp_source") == "codes" and module.get("lamp") is not None:
        return ASKS[bool(module["lamp"])]
    return f"lamp {LAMP[module.get('lamp')]}"


def first_upper(text: str) -> str:
    """Return `text` with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def plain_module(module: Mapping[str, Any]) -> str:
    """Return a module's name for the owner, who has no use for its address."""
    return str(module.get("name") or f"module {module.get('address') or 'without a name'}")


def listed(names: Iterable[str]) -> str:
    """Return names as a sentence lists them."""
    *first, last = [*names] or [""]
    return f"{', '.join(first)} and {last}" if first else last


def counted(count: int, one: str, many: str) -> str:
    """Return a count with its noun."""
    return f"{count} {one if count == 1 else many}"


def monitor(name: str) -> str:
    """Return a readiness monitor's name for people."""
    return MONITORS.get(name, name.replace("-", " "))


def moment(text: object) -> str:
    """Return an ISO 8601 time as date and time to the second in UTC; other text stays as it is."""
    try:
        found = datetime.fromisoformat(str(text))
    except ValueError:
        return str(text or "")
    return f"{found.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC" if found.tzinfo else str(text)
