"""What an erase and a key cycle changed: the evidence beside what is read now; pure.

Which lamps should be out is told from what the modules say. Whether they are out, only the person
at the wheel can see.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from obdlog.addresses import titled
from obdlog.survey import ModuleCodes

FORMAT = "obdlog.after-key-cycle/1"
_FAILED = frozenset(
    {"confirmed", "pending", "permanent", "failing-now", "failed-this-cycle", "failed-since-clear"}
)


class Lamp(StrEnum):
    """What a module says of its lamp now."""

    SHOULD_BE_OUT = "should-be-out"
    STILL_REQUESTED = "still-requested"
    NOT_REQUESTED = "not-requested"
    NOT_READ = "not-read"


@dataclass(frozen=True, slots=True)
class ModuleAfter:
    """One module: codes of the evidence, codes now, and its lamp with the reason.

    `before` is None where the evidence holds no answer of the module, `now` where it was not read
    whole; nothing is known of it then, and no code is called gone or new. A code that
    is listed for its lamp only does not count. `permanent` are those of `now` that only the
    permanent memory holds. `erased` says whether it accepted the erase.
    """

    address: str
    name: str
    erased: bool
    before: tuple[str, ...] | None
    now: tuple[str, ...] | None
    lamp: Lamp
    because: str
    request: str | None = None
    permanent: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """Name and address."""
        return titled(self.name, self.address)

    @property
    def gone(self) -> tuple[str, ...]:
        """Codes of the evidence that are not there any more."""
        if self.now is None:
            return ()
        return tuple(c for c in self.before or () if c not in self.now)

    @property
    def back(self) -> tuple[str, ...]:
        """Codes that were erased and are there; what only the permanent memory holds never left."""
        if not self.erased:
            return ()
        held = self.before or ()
        return tuple(c for c in held if c in (self.now or ()) and c not in self.permanent)

    @property
    def new(self) -> tuple[str, ...]:
        """Codes that the evidence does not hold."""
        if self.before is None:
            return ()
        return tuple(c for c in self.now or () if c not in self.before)


def compare(
    before: Sequence[ModuleCodes],
    now: Sequence[ModuleCodes],
    erased: Collection[str],
    names: Mapping[str, str],
) -> tuple[ModuleAfter, ...]:
    """Return each module of the evidence or of the present reading, those of `names` last.

    Parameters
    ----------
    erased
        Addresses of the modules that accepted the erase.
    names
        Names by address, of the modules that are asked alone.
    """
    held = {m.address: m for m in before}
    read = {m.address: m for m in now if m.answered}
    found = []
    for address in sorted({*held, *read}, key=lambda a: (a in names, len(a), a)):
        then, present = held.get(address), read.get(address)
        either = present or then
        if either is None or not (then or present):
            continue
        lamp, because = _lamp(then, present)
        found.append(
            ModuleAfter(
                address=address,
                name=names.get(address, either.name),
                erased=address in erased,
                before=_texts(then) if then and (then.answered or then.codes) else None,
                now=_texts(present, _FAILED) if present else None,
                lamp=lamp,
                because=because,
                request=either.request,
                permanent=_only_permanent(present),
            )
        )
    return tuple(found)


def _lamp(before: ModuleCodes | None, now: ModuleCodes | None) -> tuple[Lamp, str]:
    """Return what the module says of its lamp, and why that is so."""
    if now is not None and now.lamp is None and not now.codes and before and before.lamp:
        return Lamp.SHOULD_BE_OUT, "the code that asked for it is gone"
    if now is None or now.lamp is None:
        return Lamp.NOT_READ, "the module did not say whether it wants its lamp lit"
    if now.lamp:
        asking = now.with_status("lamp-requested") or now.with_status("confirmed")
        told = f"{', '.join(asking)} asks for it" if asking else "it says so without naming a code"
        untested = set(asking) & set(now.with_status("not-tested"))
        if untested:
            told += "; not tested since clearing: after the key cycle a drive may be needed"
        return Lamp.STILL_REQUESTED, told
    if before is not None and before.lamp:
        return Lamp.SHOULD_BE_OUT, "requested before the erase, not any more"
    return Lamp.NOT_REQUESTED, "not requested"


def _only_permanent(module: ModuleCodes | None) -> tuple[str, ...]:
    codes = module.codes if module else ()
    return tuple(c.code for c in codes if set(c.status) & _FAILED == {"permanent"})


def _texts(module: ModuleCodes | None, statuses: Collection[str] = ()) -> tuple[str, ...]:
    codes = module.codes if module else ()
    kept = (c.code for c in codes if not statuses or set(statuses) & set(c.status))
    return tuple(dict.fromkeys(kept))


def next_steps(modules: Sequence[ModuleAfter]) -> tuple[str, ...]:
    """Return what to look at and what still must happen, in plain words."""
    out = [m.title for m in modules if m.lamp is Lamp.SHOULD_BE_OUT]
    steps = []
    if out:
        steps.append(
            f"Look at the instruments: the lamps of {', '.join(out)} should be out now. One that "
            "is lit all the same belongs to another module or fault."
        )
    for m in modules:
        if m.lamp is Lamp.STILL_REQUESTED:
            steps.append(f"{m.title} still wants its lamp lit: {m.because}.")
        if m.now is None:
            steps.append(f"{m.title} was not read: nothing is known of it now. Read again.")
        elif m.before is None and m.now:
            steps.append(
                f"{m.title} was not read before the erase: whether {', '.join(m.now)} came since "
                "then is not known."
            )
        if m.back:
            steps.append(
                f"{m.title}: {', '.join(m.back)} came back after the erase. With everything "
                "connected that points to a fault that is there now."
            )
        if m.new:
            steps.append(f"{m.title}: new since the evidence: {', '.join(m.new)}.")
    permanent = sorted({code for m in modules for code in m.permanent})
    if permanent:
        steps.append(
            f"Permanent codes remain: {', '.join(permanent)}. They go only when the vehicle's own "
            "test has run and passed."
        )
    steps.append(
        "No code says little before the module's own test has run; of some that takes a drive. "
        "Modules that did not answer are not covered."
    )
    return tuple(steps)


def document(
    evidence: str, file: str | None, modules: Sequence[ModuleAfter], read_at: str
) -> dict[str, Any]:
    """Return ``obdlog.after-key-cycle/1``: evidence beside the present, lamps, what is next."""
    return {
        "format": FORMAT,
        "read_at": read_at,
        "evidence": evidence,
        "file": file,
        "modules": [
            {
                "address": m.address,
                "request": m.request,
                "name": m.name,
                "erased": m.erased,
                "before": None if m.before is None else list(m.before),
                "now": None if m.now is None else list(m.now),
                "gone": list(m.gone),
                "back": list(m.back),
                "new": list(m.new),
                "lamp": m.lamp.value,
                "because": m.because,
            }
            for m in modules
        ],
        "lamps_that_should_be_out": [m.address for m in modules if m.lamp is Lamp.SHOULD_BE_OUT],
        "next_steps": list(next_steps(modules)),
    }
