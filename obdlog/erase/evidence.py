"""What must be known and safe on disk before anything is erased."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from obdlog import survey
from obdlog.addresses import module_name, titled
from obdlog.client import COUNTER_PIDS, Client
from obdlog.errors import DecodeError, NoAnswerError, RefusedError, SessionFileError
from obdlog.model import FUNCTIONAL, NOT_WHOLE, Bus, Exchange
from obdlog.module_reading import codes_read, notes
from obdlog.modules import Module
from obdlog.services.codes import read_codes
from obdlog.services.obd_on_uds import classic_exchange
from obdlog.services.registry import MODULE_CODE_SERVICES
from obdlog.session.reader import read_session


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
    # What a car after SAE J1979-2 was asked stands in the file as it went over the wire.
    on_disk = [
        (e.request.payload, [m.payload for m in e.messages])
        for e in map(classic_exchange, kept.exchanges)
    ]
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
    """Check that the evidence of the legislated modules holds what clearing destroys.

    As far as the car gives it: what a module does not support cannot be kept. A reply that did
    not arrive whole, or codes that are counted and not listed, can be asked for again.

    Raises
    ------
    RefusedError
        A reply did not arrive whole, or a module counts stored codes and did not list them.
    """
    last = {
        e.request.payload: e
        for e in exchanges
        if e.request.target == FUNCTIONAL and _destroyed(e.request.payload)
    }
    missing = _not_whole(last)
    missing += _cut_lists(exchanges, bus)
    modules = survey.survey_codes(exchanges, bus)
    listed = {m.address: len(m.with_status("confirmed")) for m in modules}
    for m in survey.survey_readiness(exchanges):
        counted, found = m.since_clear.code_count, listed.get(m.address, 0)
        # On the older buses a lost message of three codes leaves no trace but the count.
        lost = counted > found if bus is Bus.LEGACY else counted and not found
        if lost:
            missing.append(
                f"{titled(m.name, m.address)} counts {counted} stored codes and lists "
                f"{found or 'none'}"
            )
    if missing:
        raise RefusedError(
            f"the evidence is not complete ({'; '.join(missing[:5])}); nothing was erased",
            hint="Try again. A reply that is cut every time needs another adapter.",
        )


def left_out(
    exchanges: Sequence[Exchange], bus: Bus, modules: Sequence[Module]
) -> dict[Module, str]:
    """Return those of `modules` of which the evidence is not complete, and why."""
    read = {m.address: m for m in survey.survey_codes(exchanges, bus)}
    reasons = {}
    for module in modules:
        own = [e for e in exchanges if e.request.target == module.request]
        last = {e.request.payload: e for e in own if e.request.service in MODULE_CODE_SERVICES}
        state = read.get(module.response)
        if not codes_read(exchanges, module) or state is None:
            told = notes(exchanges, module, listed=False)
            reasons[module] = "; ".join(("there is no evidence of its codes", *told[:1]))
        elif any([m.source for m in e.messages].count(module.response) > 1 for e in own):
            reasons[module] = "two modules answer from its address, and the evidence may mix both"
        elif missing := _not_whole(last):
            reasons[module] = f"its evidence is not complete: {'; '.join(missing[:3])}"
        elif state.error:
            reasons[module] = f"its evidence is not complete: {state.error}"
    return reasons


def _not_whole(last: Mapping[bytes, Exchange]) -> list[str]:
    """Return which of the last answers to each request did not arrive whole."""
    return [
        f"no whole answer to {payload.hex().upper()}"
        for payload, exchange in last.items()
        if exchange.damaged or exchange.outcome in NOT_WHOLE
    ]


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
    return request[0] in (0x02, 0x03, 0x05, 0x06, 0x07, *MODULE_CODE_SERVICES)
