"""Erasing codes: evidence first, one request, then the read-back.

The order is the safety: no function here can send the erase before the evidence of the same
connection was written, synced and read back from disk.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from obdlog import survey
from obdlog.client import COUNTER_PIDS, Client
from obdlog.errors import LinkError, RefusedError, SessionFileError
from obdlog.model import Exchange, Outcome, Request
from obdlog.services.refusals import parse_refusal
from obdlog.services.requests import build_clear
from obdlog.session.reader import read_session
from obdlog.survey import ModuleCodes

LOST_BY_CLEARING = (
    "stored and pending codes of every module that accepts the request",
    "freeze frames: the conditions in which each code was set",
    "readiness: every monitor that is not continuous starts again as not complete",
    "on-board test results (service 06)",
    "counters: distance and engine time with the lamp on, warm-ups, distance and time since "
    "clearing",
    "in some vehicles, learned fuel and idle corrections",
)
"""What SAE J1979 service 04 erases; the last item is common practice, no source."""

RESPONSE_PENDING = b"\x78"
"""Negative response code: still at work on it (ISO 14229-1, ISO 14230-3); no refusal."""

PERHAPS_SENT = (
    "The erase may have been carried out: reconnect and read the codes before anything else. "
    "The evidence is saved."
)

CAUTIONS = (
    "Ignition on, engine off, vehicle parked. Connect a charger if the battery is weak.",
    "Do not clear when the fault is not known or comes and goes, when the engine lamp flashes, "
    "before an inspection or a sale, or while a warranty claim is open.",
    "Permanent codes stay: only the vehicle's own passed test removes them.",
    "Airbag, brake and other modules that this request does not reach keep their codes and "
    "lamps; work on restraints, brakes and high voltage belongs to licensed practice.",
    "Afterwards an inspection may refuse the vehicle until its monitors have run; rules differ "
    "by place.",
)


@dataclass(frozen=True, slots=True)
class ModuleErasure:
    """What one module did; `accepted` is None when it stayed silent."""

    address: str
    name: str
    accepted: bool | None
    refusal: str | None
    before: tuple[str, ...]
    after: tuple[str, ...]


def require_engine_off(client: Client, *, stated_off: bool = False) -> None:
    """Check that the engine stands and the vehicle does not move.

    Parameters
    ----------
    stated_off
        The user states that the engine is off; counts only where no module reports a speed.

    Raises
    ------
    RefusedError
        The engine runs, the vehicle moves, or neither can be read.
    """
    moving = client.vehicle_speed_kmh()
    if moving:
        raise RefusedError(
            f"the vehicle moves at {moving:.0f} km/h; nothing was erased",
            hint="Park, switch the engine off, switch the ignition on, and try again.",
        )
    running = client.engine_speed_rpm()
    if running:
        raise RefusedError(
            f"the engine runs at {running:.0f} rpm; nothing was erased",
            hint="Switch the engine off, switch the ignition on, and try again.",
        )
    if running is None and not stated_off:
        raise RefusedError(
            "no module reports the engine speed, so it is not certain that the engine is off; "
            "nothing was erased",
            hint="If you can see that the engine is off, say so with --engine-is-off.",
        )


def ask_evidence(client: Client) -> None:
    """Ask all that clearing destroys: identity, codes, frames, readiness, tests, counters."""
    client.read_vehicle()
    client.read_codes()
    client.read_readiness()
    client.read_onboard_tests()


def verify_evidence(path: Path, exchanges: Sequence[Exchange]) -> None:
    """Read the evidence file back and compare it with what was asked.

    Raises
    ------
    SessionFileError
        The file does not hold every exchange.
    """
    kept = read_session(path)
    on_disk = [(e.request.payload, [m.payload for m in e.messages]) for e in kept.exchanges]
    asked = [(e.request.payload, [m.payload for m in e.messages]) for e in exchanges]
    position = 0
    for entry in on_disk:
        if position < len(asked) and entry == asked[position]:
            position += 1
    if position < len(asked) or not kept.complete:
        raise SessionFileError(
            f"the evidence file holds {position} of {len(asked)} exchanges; nothing was erased",
            path=path,
            hint="Check the disk, or name another folder with --case.",
        )


def require_complete(exchanges: Sequence[Exchange]) -> None:
    """Check that the evidence holds what clearing destroys, as far as the car gives it.

    What a module does not support cannot be kept. A reply that did not arrive whole, or codes that
    are counted and not listed, can be asked for again.

    Raises
    ------
    RefusedError
        A reply did not arrive whole, or a module counts stored codes and did not list them.
    """
    outcomes = {e.request.payload: e.outcome for e in exchanges if _destroyed(e.request.payload)}
    missing = [
        f"no whole answer to {payload.hex().upper()}"
        for payload, outcome in outcomes.items()
        if outcome in (Outcome.GARBLED, Outcome.TIMEOUT, Outcome.LOST)
    ]
    listed = {m.source for e in exchanges if e.request.service == 0x03 for m in e.positive()}
    missing += [
        f"{m.name} ({m.address}) counts {m.since_clear.code_count} stored codes, did not list them"
        for m in survey.survey_readiness(exchanges)
        if m.since_clear.code_count and m.address not in listed
    ]
    if missing:
        raise RefusedError(
            f"the evidence is not complete ({'; '.join(missing[:5])}); nothing was erased",
            hint="Try again. A reply that is cut every time needs another adapter.",
        )


def _destroyed(request: bytes) -> bool:
    """Return whether clearing destroys what `request` asks for."""
    if request[0] == 0x01:
        return len(request) == 2 and request[1] in (0x01, *COUNTER_PIDS)
    return request[0] in (0x02, 0x03, 0x06, 0x07)


def send_erase(
    client: Client, before: Sequence[ModuleCodes], *, stated_off: bool, sync: Callable[[], None]
) -> tuple[ModuleErasure, ...]:
    """Send service 04 once and read back; return what each module did.

    The engine is checked again right before. Silence is never answered by a second erase: the
    read-back tells.

    Parameters
    ----------
    before
        The code reading of the evidence.
    sync
        Called right after the erase, to put it on disk before the read-back.

    Raises
    ------
    LinkError
        The link was lost; the hint says so where the erase had gone out.
    """
    require_engine_off(client, stated_off=stated_off)
    try:
        exchange = client.transport.exchange(Request(build_clear(), purpose="erase"))
        client.exchanges.append(exchange)
        sync()
        reading = Client(client.transport)
        reading.read_codes()
        reading.read_readiness()
    except LinkError as error:
        error.hint = f"{PERHAPS_SENT} {error.hint}".rstrip()
        raise
    client.exchanges.extend(reading.exchanges)
    after = {m.address: m for m in survey.survey_codes(reading.exchanges, client.bus)}
    held = {m.address: m for m in before}
    accepted = {m.source for m in exchange.positive()}
    refused = {
        m.source: parse_refusal(m.payload).meaning
        for m in exchange.refusals()
        if m.payload[2:3] != RESPONSE_PENDING
    }
    return tuple(
        ModuleErasure(
            address=address,
            name=(after.get(address) or held[address]).name if address in (after | held) else "",
            # Without headers several modules are one address: a refusal among them counts.
            accepted=False if address in refused else True if address in accepted else None,
            refusal=refused.get(address),
            before=_texts(held.get(address)),
            after=_texts(after.get(address)),
        )
        for address in sorted({*held, *after, *accepted, *refused})
    )


def _texts(module: ModuleCodes | None) -> tuple[str, ...]:
    return tuple(c.code for c in module.codes) if module else ()


def silent_erase(exchange: Exchange) -> bool:
    """Return whether an erase got no answer at all."""
    return exchange.outcome in (Outcome.NO_DATA, Outcome.TIMEOUT, Outcome.LOST, Outcome.GARBLED)


def next_steps(modules: Sequence[ModuleErasure], after: Sequence[ModuleCodes]) -> tuple[str, ...]:
    """Return what still must happen, in order, in plain words."""
    steps = [
        f"{m.name} ({m.address}) refused: {m.refusal}. Check ignition on and engine off, then "
        "read again before any second try."
        for m in modules
        if m.accepted is False
    ]
    steps += [
        f"{m.name} ({m.address}) did not say what became of the erase; the read-back shows "
        f"{', '.join(m.after) or 'no codes any more'}."
        for m in modules
        if m.accepted is None and m.before
    ]
    permanent = sorted({c for m in after for c in m.with_status("permanent")})
    back = sorted({c for m in after for c in m.with_status("confirmed")})
    if back:
        steps.append(
            f"Still stored right after clearing: {', '.join(back)}. A code that returns at once "
            "with everything connected points to a fault that is there now."
        )
    if any(m.accepted for m in modules):
        steps.append(
            "Key cycle: ignition off, wait until the modules sleep (a minute or more; the maker's "
            "time wins), ignition on, engine off, then start. Read the codes again."
        )
    if permanent:
        steps.append(
            f"Permanent codes remain: {', '.join(permanent)}. They go only when the vehicle's own "
            "test has run and passed."
        )
    steps.append(
        "Road test with a passenger at the laptop, on legal roads: record a log, then check it. "
        "No code plus monitors that have not run means unknown, not repaired."
    )
    steps.append(
        "Lamps of modules that were not read here (airbag, brakes, stability) are not covered by "
        "this result."
    )
    return tuple(steps)
