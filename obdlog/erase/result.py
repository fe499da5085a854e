"""What became of an erase, and what still must happen."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.addresses import titled
from obdlog.errors import ObdlogError
from obdlog.survey import ModuleCodes

PERHAPS_SENT = (
    "The erase may have been carried out: reconnect and read the codes before anything else. "
    "The evidence is saved."
)


@dataclass(frozen=True, slots=True)
class ModuleErasure:
    """What one module did.

    `accepted` is None when it said neither yes nor no. `before` is None where the evidence holds no
    answer about its codes, `after` where they were not read back whole: nothing is known of them
    then. `stored` are those of `after` that are not
    merely permanent. `request` is the address it was asked at alone, None where it was one of all
    legislated modules. `sent` is False where no erase went out, with the reason in `refusal`.
    `lamp` says whether it still wants its lamp lit, None where that was not read;
    `asks_for_session` that it refused because it erases in its extended session only.
    """

    address: str
    name: str
    accepted: bool | None
    refusal: str | None
    before: tuple[str, ...] | None
    after: tuple[str, ...] | None
    stored: tuple[str, ...] = ()
    request: str | None = None
    sent: bool = True
    lamp: bool | None = None
    asks_for_session: bool = False

    @property
    def title(self) -> str:
        """Name and address."""
        return titled(self.name, self.address)


@dataclass(frozen=True, slots=True)
class Erasure:
    """What became of one erase; `trouble` is what went wrong once it was on its way."""

    modules: tuple[ModuleErasure, ...]
    after: tuple[ModuleCodes, ...]
    trouble: ObdlogError | None = None

    @property
    def known(self) -> bool:
        """Whether every module asked accepted or is seen to hold no stored code any more."""
        asked = (m for m in self.modules if m.sent)
        return all(m.after is not None and (m.accepted or not m.stored) for m in asked)


RECORD_INCOMPLETE = (
    "The erase was carried out and read back; only its record in the session file is incomplete."
)

MOST_NAMED = 10
"""So many codes are named in one sentence."""

KEY_CYCLE = (
    "Key cycle: ignition off, wait until the modules sleep (a minute or more; the maker's "
    "time wins), ignition on, engine off"
)
ROAD_TEST = (
    "Road test with a passenger at the laptop, on legal roads: record a log, then check it. "
    "No code plus monitors that have not run means unknown, not repaired."
)
LAMPS_NOT_READ = (
    "Lamps of modules that were not read here (airbag, brakes, stability) are not covered by "
    "this result."
)
NOT_COVERED = "Modules that did not answer, or that this road cannot reach, are not covered."


def next_steps(erasure: Erasure, case: str = "") -> tuple[str, ...]:
    """Return what still must happen, in order, in plain words.

    Parameters
    ----------
    case
        The case folder as it is typed in a command, nothing where it is not known.
    """
    modules, after = erasure.modules, erasure.after
    alone = any(m.request for m in modules)
    steps = []
    if erasure.trouble is not None:
        told = RECORD_INCOMPLETE if erasure.known and modules else PERHAPS_SENT
        steps.append(f"{str(erasure.trouble).rstrip('.')}. {told}")
    for m in modules:
        steps += _about(m)
    permanent = sorted({c for m in after for c in m.with_status("permanent")})
    back = sorted({c for m in modules if m.sent and m.accepted for c in m.stored})
    if back:
        more = f" and {len(back) - MOST_NAMED} more" if len(back) > MOST_NAMED else ""
        steps.append(
            f"Still stored right after clearing: {', '.join(back[:MOST_NAMED])}{more}. A code that "
            "returns at once with everything connected points to a fault that is there now."
        )
    if any(m.accepted or (m.accepted is None and m.before and not m.stored) for m in modules):
        compare = ", then start. Read the codes again."
        if alone:
            compare = f". Then obdlog clear --after-key-cycle --case {case or 'DIR'} says which "
            compare += "lamps should be out."
        steps.append(KEY_CYCLE + compare)
    steps += [_lamp_step(m) for m in modules if m.sent and m.request and m.lamp]
    if permanent:
        steps.append(
            f"Permanent codes remain: {', '.join(permanent)}. They go only when the vehicle's own "
            "test has run and passed."
        )
    steps.append(ROAD_TEST)
    steps.append(NOT_COVERED if alone else LAMPS_NOT_READ)
    return tuple(steps)


def _about(m: ModuleErasure) -> list[str]:
    """Return what is to be said of one module."""
    if not m.sent:
        return [f"{m.title} was not erased: {m.refusal}."]
    steps = []
    if m.asks_for_session:
        steps.append(
            f"{m.title} refused: {m.refusal}. It erases in its extended session, which "
            "--extended-session allows; parked, engine off."
        )
    elif m.accepted is False:
        steps.append(
            f"{m.title} refused: {m.refusal}. Check ignition on and engine off, then read again "
            "before any second try."
        )
    if m.after is None:
        steps.append(
            f"{m.title} was not read back: what it holds now is not known. Read the codes again."
        )
    elif m.accepted is None and m.before:
        told = f"{m.title} did not say what became of the erase; the read-back shows "
        if m.stored:
            told += (
                f"{', '.join(m.after)}: it was not carried out, or the codes came back at once. "
            )
            told += "Read the codes again before any second try."
        else:
            told += f"{', '.join(m.after) or 'no codes any more'}."
        steps.append(told)
    return steps


def _lamp_step(m: ModuleErasure) -> str:
    """Return what puts the lamp of a module out; the ways are common practice, no source."""
    if m.stored:
        return f"{m.title} wants its lamp lit, with codes still stored: find their cause."
    return (
        f"{m.title} still wants its lamp lit, as is usual right after an erase: mostly it goes out "
        "with the key cycle, on some vehicles after a short drive. Where it stays lit after both, "
        "read its codes again."
    )
