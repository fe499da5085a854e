"""Erasing codes: evidence first, one request, then the read-back.

The order is the safety: no function here can send the erase before the evidence of the same
connection was written, synced and read back from disk.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from obdlog import survey
from obdlog.addresses import module_name
from obdlog.client import COUNTER_PIDS, Client
from obdlog.errors import (
    DecodeError,
    LinkError,
    NoAnswerError,
    ObdlogError,
    RefusedError,
    SessionFileError,
)
from obdlog.model import Bus, Exchange, Outcome, Request
from obdlog.services.codes import read_codes
from obdlog.services.requests import build_clear
from obdlog.session.reader import read_session
from obdlog.session.writer import SessionWriter
from obdlog.survey import ModuleCodes
from obdlog.transport.base import Transport
from obdlog.transport.recording import RecordingTransport

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

RESPONSE_PENDING = b"\x78"
"""Negative response code: still at work on it (ISO 14229-1, ISO 14230-3); no refusal."""

PERHAPS_SENT = (
    "The erase may have been carried out: reconnect and read the codes before anything else. "
    "The evidence is saved."
)

SENT_NOW = "service 04 (erase) is sent now"
_NOT_WHOLE = frozenset({Outcome.GARBLED, Outcome.TIMEOUT, Outcome.LOST})
READ_BACK_TRIES = 3
READ_BACK_PAUSE_S = 3.0

RECORD_INCOMPLETE = (
    "The erase was carried out and read back; only its record in the session file is incomplete."
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
    """What one module did.

    `accepted` is None when it said neither yes nor no. `after` is None when its codes were not
    read back whole: nothing is known of them then. `stored` are those of `after` that are not
    merely permanent.
    """

    address: str
    name: str
    accepted: bool | None
    refusal: str | None
    before: tuple[str, ...]
    after: tuple[str, ...] | None
    stored: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Erasure:
    """What became of one erase; `trouble` is what went wrong once it was on its way."""

    modules: tuple[ModuleErasure, ...]
    after: tuple[ModuleCodes, ...]
    trouble: ObdlogError | None = None

    @property
    def known(self) -> bool:
        """Whether every module accepted or is seen to hold no stored code any more."""
        return all(m.after is not None and (m.accepted or not m.stored) for m in self.modules)


def require_engine_off(client: Client, *, stated_off: bool = False) -> None:
    """Check that the engine stands and the vehicle does not move.

    Parameters
    ----------
    stated_off
        The user states that the engine is off; counts only where no module supports the engine
        speed. A reply that arrives damaged is no such case.

    Raises
    ------
    RefusedError
        The engine runs, the vehicle moves, or that cannot be told.
    """
    try:
        moving, running = client.vehicle_speed_kmh(), client.engine_speed_rpm()
    except NoAnswerError as error:
        raise RefusedError(
            f"it is not certain that the engine is off: {error}; nothing was erased",
            hint="Try again.",
        ) from error
    if moving:
        raise RefusedError(
            f"the vehicle moves at {moving:.0f} km/h; nothing was erased",
            hint="Park, switch the engine off, switch the ignition on, and try again.",
        )
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


def require_complete(exchanges: Sequence[Exchange], bus: Bus) -> None:
    """Check that the evidence holds what clearing destroys, as far as the car gives it.

    What a module does not support cannot be kept. A reply that did not arrive whole, or codes that
    are counted and not listed, can be asked for again.

    Raises
    ------
    RefusedError
        A reply did not arrive whole, or a module counts stored codes and did not list them.
    """
    last = {e.request.payload: e for e in exchanges if _destroyed(e.request.payload)}
    missing = [
        f"no whole answer to {payload.hex().upper()}"
        for payload, exchange in last.items()
        if exchange.damaged or exchange.outcome in _NOT_WHOLE
    ]
    missing += _cut_lists(exchanges, bus)
    modules = survey.survey_codes(exchanges, bus)
    listed = {m.address: len(m.with_status("confirmed")) for m in modules}
    for m in survey.survey_readiness(exchanges):
        counted, found = m.since_clear.code_count, listed.get(m.address, 0)
        # On the older buses a lost message of three codes leaves no trace but the count.
        lost = counted > found if bus is Bus.LEGACY else counted and not found
        if lost:
            missing.append(
                f"{m.name} ({m.address}) counts {counted} stored codes and lists {found or 'none'}"
            )
    if missing:
        raise RefusedError(
            f"the evidence is not complete ({'; '.join(missing[:5])}); nothing was erased",
            hint="Try again. A reply that is cut every time needs another adapter.",
        )


def _cut_lists(exchanges: Sequence[Exchange], bus: Bus) -> list[str]:
    """Return what is wrong with the last stored and pending code list of each module."""
    last = {
        (m.source, e.request.payload): m.payload
        for e in exchanges
        if e.request.service in (0x03, 0x07)
        for m in e.positive()
    }
    wrong = []
    for (address, _), payload in last.items():
        try:
            problem = read_codes(payload, bus).problem
        except DecodeError as error:
            problem = str(error)
        if problem:
            wrong.append(f"{module_name(address)} ({address}): {problem}")
    return wrong


def _destroyed(request: bytes) -> bool:
    """Return whether clearing destroys what `request` asks for."""
    if request[0] == 0x01:
        return len(request) == 2 and request[1] in (0x01, *COUNTER_PIDS)
    return request[0] in (0x02, 0x03, 0x05, 0x06, 0x07)


def send_erase(
    transport: Transport,
    session: SessionWriter,
    before: Sequence[ModuleCodes],
    *,
    stated_off: bool = False,
) -> Erasure:
    """Send service 04 once, read back, and return what each module did.

    The engine is checked again right before, and that the erase is sent is on disk before it
    goes out. Whatever fails from there on is part of the result, not an exception: the user must
    learn that the erase went out. Silence is never answered by a second erase: the read-back
    tells.

    Parameters
    ----------
    transport
        The connected road itself, not a recording one.
    session
        Takes the erase and the read-back.
    before
        The code reading of the evidence.

    Raises
    ------
    RefusedError, SessionFileError, LinkError
        Before the erase went out; nothing was erased.
    KeyboardInterrupt
        The erase may have gone out; the session says so.
    """
    recording = RecordingTransport(transport, session)
    require_engine_off(Client(recording), stated_off=stated_off)
    session.mark(SENT_NOW)
    session.sync()
    request = Request(build_clear(), purpose="erase")
    exchange = Exchange(transport.clock.now_s(), request, (), Outcome.LOST)
    trouble: ObdlogError | None = None
    try:
        exchange = transport.exchange(request)
    except LinkError as error:
        trouble = error
    finally:
        try:
            recording.keep(exchange)
            session.sync()
        except SessionFileError as error:
            trouble = trouble or error
    read: tuple[Exchange, ...] = ()
    if not isinstance(trouble, LinkError):
        read, fault = _read_back(transport, recording, {m.address for m in before})
        trouble = trouble or fault
    bus = Client(transport).bus
    after = survey.survey_codes(read, bus)
    return Erasure(_modules(exchange, before, after, bus), after, trouble)


def _read_back(
    transport: Transport, recording: RecordingTransport, expected: set[str]
) -> tuple[tuple[Exchange, ...], ObdlogError | None]:
    """Read codes and readiness, again after a pause while a module is missing.

    A module may restart after an erase (common practice, no source). A session that cannot be
    written any more does not keep the user from learning what the car says.
    """
    road: Transport = recording
    trouble: ObdlogError | None = None
    read: tuple[Exchange, ...] = ()
    for attempt in range(READ_BACK_TRIES):
        if attempt:
            transport.clock.sleep_s(READ_BACK_PAUSE_S)
        client = Client(road)
        try:
            client.read_codes()
            client.read_readiness()
        except NoAnswerError:
            pass
        except SessionFileError as error:
            road, trouble = transport, error
        except LinkError as error:
            return read or tuple(client.exchanges), error
        read = (*read, *client.exchanges)
        whole = {m.address for m in survey.survey_codes(read, client.bus) if _is_whole(m)}
        if expected <= whole:
            break
    return read, trouble


def _is_whole(module: ModuleCodes) -> bool:
    return module.answered and module.error is None


def _modules(
    exchange: Exchange, before: Sequence[ModuleCodes], after: Sequence[ModuleCodes], bus: Bus
) -> tuple[ModuleErasure, ...]:
    """Return what each module did, from its answer and the two code readings."""
    held = {m.address: m for m in before}
    now = {m.address: m for m in after}
    accepted = {m.source for m in exchange.positive()}
    refused = {
        m.source: survey.refusal_meaning(m, bus)
        for m in exchange.refusals()
        if m.payload[2:3] != RESPONSE_PENDING
    }
    found = []
    for address in sorted({*held, *now, *accepted, *refused}):
        module = now.get(address)
        read = module if module is not None and _is_whole(module) else None
        found.append(
            ModuleErasure(
                address=address,
                name=module_name(address),
                # Without headers several modules are one address: a refusal among them counts.
                accepted=False if address in refused else True if address in accepted else None,
                refusal=refused.get(address),
                before=_texts(held.get(address)),
                after=_texts(read) if read else None,
                stored=tuple(c.code for c in read.codes if {"confirmed", "pending"} & set(c.status))
                if read
                else (),
            )
        )
    return tuple(found)


def _texts(module: ModuleCodes | None) -> tuple[str, ...]:
    return tuple(c.code for c in module.codes) if module else ()


def next_steps(erasure: Erasure) -> tuple[str, ...]:
    """Return what still must happen, in order, in plain words."""
    modules, after = erasure.modules, erasure.after
    steps = []
    if erasure.trouble is not None:
        told = RECORD_INCOMPLETE if erasure.known and modules else PERHAPS_SENT
        steps.append(f"{str(erasure.trouble).rstrip('.')}. {told}")
    for m in modules:
        name = f"{m.name} ({m.address})"
        if m.accepted is False:
            steps.append(
                f"{name} refused: {m.refusal}. Check ignition on and engine off, then read again "
                "before any second try."
            )
        if m.after is None:
            steps.append(
                f"{name} was not read back: what it holds now is not known. Read the codes again."
            )
        elif m.accepted is None and m.before:
            steps.append(
                f"{name} did not say what became of the erase; the read-back shows "
                f"{', '.join(m.after) or 'no codes any more'}."
            )
    permanent = sorted({c for m in after for c in m.with_status("permanent")})
    back = sorted({c for m in after for c in m.with_status("confirmed")})
    if back:
        steps.append(
            f"Still stored right after clearing: {', '.join(back)}. A code that returns at once "
            "with everything connected points to a fault that is there now."
        )
    if any(m.accepted or (m.accepted is None and m.before and not m.stored) for m in modules):
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
