"""What the user should know before an erase is confirmed.

Hazards and waiting times are common practice, no source, unless a line names one; the maker's own
procedure, local codes and licensed practice win.
"""

from __future__ import annotations

from collections.abc import Sequence

from obdlog.codes.judge import caution
from obdlog.modules import Module, System
from obdlog.survey import ModuleCodes

LOST_BY_CLEARING = (
    "stored and pending codes of every module that accepts the request",
    "freeze frames: the conditions in which each code was set",
    "readiness: every monitor that is not continuous starts again as not complete",
    "on-board test results (services 05 and 06)",
    "counters: distance and engine time with the lamp on, warm-ups, distance and time since "
    "clearing",
    "in some vehicles, learned fuel and idle corrections",
)
"""What SAE J1979 service 04 erases; the last item is common practice, no source."""

LOST_IN_MODULES = (
    "codes of each module that accepts the request, with what it stored beside them (snapshots, "
    "counters; ISO 14229-1 and ISO 14230-3, service 14)",
)

CAUTIONS = (
    "Ignition on, engine off, vehicle parked. Connect a charger if the battery is weak.",
    "Do not clear when the fault is not known or comes and goes, when the engine lamp flashes, "
    "before an inspection or a sale, or while a warranty claim is open.",
    "Permanent codes stay: only the vehicle's own passed test removes them.",
    "Afterwards an inspection may refuse the vehicle until its monitors have run; rules differ "
    "by place.",
)

NOT_REACHED = (
    "Airbag, brake and other modules that this request does not reach keep their codes and "
    "lamps; work on restraints, brakes and high voltage belongs to licensed practice."
)

LAMPS_LATER = (
    "A lamp may stay lit although its module accepted: many go out only after a key cycle "
    "(ignition off, wait until the modules sleep, ignition on), those of brakes and stability on "
    "many vehicles only after a short drive, and a restraint lamp only when that module's own "
    "test finds the fault absent."
)

_SYSTEMS = {
    System.RESTRAINTS: "Restraints (airbags, belt tensioners): licensed practice only. Erasing "
    "repairs nothing: with the lamp lit they may not deploy, or deploy unasked. No ohmmeter on "
    "their circuits, nothing unplugged with the key on.",
    System.BRAKES: "Brakes and stability: licensed practice. Do not drive with a red brake lamp or "
    "a soft pedal, whatever a module says; the first drive after the repair is slow and off the "
    "road.",
    System.STEERING: "Steering: licensed practice. A steering angle or assistance that was never "
    "set after the work is no matter of erasing.",
    System.HIGH_VOLTAGE: "High voltage (hybrid and electric): trained people only. Erasing an "
    "isolation or contactor code does not make orange cables safe.",
}


def cautions_for(
    before: Sequence[ModuleCodes], modules: Sequence[Module], *, generic: bool
) -> tuple[str, ...]:
    """Return the cautions to show before an erase, general ones first.

    Parameters
    ----------
    before
        What was read: the codes bring the cautions of their systems.
    modules
        Modules that are erased each by itself.
    generic
        Whether the legislated modules are erased by one request to all.
    """
    said = list(CAUTIONS if generic else CAUTIONS[:2])
    named = dict.fromkeys(m.system for m in modules)
    said += [_SYSTEMS[system] for system in named if system in _SYSTEMS]
    asked = {m.response for m in modules}
    codes = [
        code.code for m in before for code in m.codes if m.address in asked or (generic and m.lamp)
    ]
    said += filter(None, dict.fromkeys(map(caution, codes)))
    said.append(LAMPS_LATER if modules else NOT_REACHED)
    return tuple(dict.fromkeys(said))


def lost(*, generic: bool, modules: bool) -> tuple[str, ...]:
    """Return what the erase destroys."""
    return (LOST_BY_CLEARING if generic else ()) + (LOST_IN_MODULES if modules else ())
