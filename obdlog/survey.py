"""What a list of exchanges says about a car: codes, readiness, identity, test results.

Pure functions, so that a live reading and a recorded session go through the same code. Where a
request was asked more than once, the last answer of each module counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from obdlog.addresses import module_name
from obdlog.errors import DecodeError
from obdlog.model import UNKNOWN_SOURCE, Bus, EcuMessage, Exchange, Outcome, Reading
from obdlog.services import scales
from obdlog.services.codes import read_codes
from obdlog.services.current_data import parse_current_data, split_current_data, split_known
from obdlog.services.freeze_frame import REPLY as FRAME_REPLY
from obdlog.services.freeze_frame import frame_of
from obdlog.services.onboard_tests import TestResult, parse_supported_monitors, parse_tests
from obdlog.services.oxygen_tests import OxygenTest, parse_oxygen_tests
from obdlog.services.refusals import meaning
from obdlog.services.requests import supported_pids
from obdlog.tables.decode import EMPTY, Context
from obdlog.tables.monitors import MonitorStatus, decode_monitors

CODE_SERVICES = {0x03: "confirmed", 0x07: "pending", 0x0A: "permanent"}
"""Service → the status that a code read with it has (SAE J1979)."""

_NOT_WHOLE = frozenset({Outcome.GARBLED, Outcome.TIMEOUT, Outcome.LOST})
_NOT_SUPPORTED = frozenset({b"\x11", b"\x12"})
"""Negative response codes: service or sub-function not supported (ISO 14229-1)."""

BITMAP_PIDS = frozenset(range(0x00, 0x100, 0x20))
_MONITOR_PIDS = frozenset({0x01, 0x41})


@dataclass(frozen=True, slots=True)
class ModuleCode:
    """One code of one module with every status it was read under."""

    code: str
    status: tuple[str, ...]
    failure_type: str | None = None


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """The readings a module stored when `code` was set."""

    code: str
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class ModuleCodes:
    """Codes, lamp and freeze frames of one module; `lamp` is None when it was not read."""

    address: str
    name: str
    answered: bool
    lamp: bool | None
    codes: tuple[ModuleCode, ...]
    freeze_frames: tuple[FreezeFrame, ...] = ()
    error: str | None = None

    def with_status(self, status: str) -> tuple[str, ...]:
        """Return the code texts that carry `status`."""
        return tuple(c.code for c in self.codes if status in c.status)


@dataclass(frozen=True, slots=True)
class ModuleReadiness:
    """Monitors since clearing and this drive, as one module reports them."""

    address: str
    name: str
    since_clear: MonitorStatus
    this_drive: MonitorStatus | None = None


@dataclass(frozen=True, slots=True)
class Counters:
    """How long ago the memory was cleared, in the largest terms any module reports."""

    warm_ups_since_clear: int | None = None
    distance_since_clear_km: int | None = None
    minutes_since_clear: int | None = None
    distance_with_lamp_km: int | None = None
    minutes_with_lamp: int | None = None


@dataclass(slots=True)
class _Answers:
    """Positive answers by module, later ones replacing earlier ones of the same request."""

    by_request: dict[tuple[str, bytes], list[bytes]] = field(default_factory=dict)

    def of(self, address: str, request: bytes) -> list[bytes]:
        return self.by_request.get((address, request), [])


def _answers(exchanges: Iterable[Exchange]) -> _Answers:
    answers = _Answers()
    for exchange in exchanges:
        latest: dict[str, list[bytes]] = {}
        for message in exchange.positive():
            latest.setdefault(message.source, []).append(message.payload)
        for source, payloads in latest.items():
            answers.by_request[(source, exchange.request.payload)] = payloads
    return answers


def addresses(exchanges: Iterable[Exchange]) -> tuple[str, ...]:
    """Return every address that answered anything, in address order."""
    return tuple(sorted({m.source for e in exchanges for m in e.messages}))


def _current_data(exchanges: Iterable[Exchange]) -> Iterable[tuple[Exchange, EcuMessage]]:
    for exchange in exchanges:
        if exchange.request.service == 0x01:
            for message in exchange.positive():
                yield exchange, message


def latest_data(exchanges: Sequence[Exchange]) -> dict[str, dict[int, bytes]]:
    """Return per module the last data bytes of each service 01 PID."""
    found: dict[str, dict[int, bytes]] = {}
    context = scales.contexts(exchanges)
    merged: Exchange | None = None
    for exchange, message in _current_data(exchanges):
        try:
            items = split_current_data(
                message.payload,
                exchange.request.payload[1:],
                context.get(message.source, EMPTY),
            )
        except DecodeError:
            continue
        again = exchange is merged and message.source == UNKNOWN_SOURCE
        merged = exchange
        held = found.setdefault(message.source, {})
        for pid, data in items:
            if again and pid in _MONITOR_PIDS and pid in held:
                held[pid] = merged_monitors(held[pid], data)
            else:
                held[pid] = data
    return found


def merged_monitors(one: bytes, other: bytes) -> bytes:
    """Return PID 01 or 41 of two modules that cannot be told apart (no headers) as one.

    The lamp is on, a monitor is supported and not complete where either says so; the codes add
    up. Layout: SAE J1979. Of two kinds of ignition the module with more monitors counts.
    """
    if len(one) != 4 or len(other) != 4:
        return other
    lamp = (one[0] | other[0]) & 0x80
    count = min(0x7F, (one[0] & 0x7F) + (other[0] & 0x7F))
    if (one[1] ^ other[1]) & 0x08:
        return bytes([lamp | count]) + max(one, other, key=lambda data: data[2].bit_count())[1:]
    waiting = (one[1] & one[1] << 4 | other[1] & other[1] << 4) & 0x70
    supported = (one[1] | other[1]) & 0x0F
    late = one[2] & one[3] | other[2] & other[3]
    return bytes([lamp | count, waiting | supported, one[2] | other[2], late])


def latest_readings(exchanges: Sequence[Exchange], bus: Bus) -> dict[str, dict[str, Reading]]:
    """Return per module the last reading of each signal (service 01)."""
    context = scales.contexts(exchanges)
    found: dict[str, dict[str, Reading]] = {}
    for exchange, message in _current_data(exchanges):
        try:
            readings = parse_current_data(
                message.payload,
                context.get(message.source, Context()),
                bus,
                exchange.request.payload[1:],
            )
        except DecodeError:
            continue
        found.setdefault(message.source, {}).update({r.signal: r for r in readings})
    return found


def supported(
    exchanges: Iterable[Exchange], service: int = 0x01, bus: Bus = Bus.CAN
) -> dict[str, frozenset[int]]:
    """Return per module the PIDs (or monitor ids, info types) its bitmaps announce."""
    found: dict[str, set[int]] = {}
    for exchange in exchanges:
        request = exchange.request.payload
        if request[0] != service or len(request) < 2 or request[1] not in BITMAP_PIDS:
            continue
        for message in exchange.positive():
            pids = _announced(message.payload, request, bus)
            if pids:
                found.setdefault(message.source, set()).update(pids)
    return {source: frozenset(pids) for source, pids in found.items()}


def _announced(payload: bytes, request: bytes, bus: Bus) -> Sequence[int]:
    """Return the ids in one bitmap reply; the layouts are those of SAE J1979."""
    if request[0] == 0x06:
        try:
            return parse_supported_monitors(payload, bus)
        except DecodeError:
            return ()
    if request[0] in (0x05, 0x09):
        # One byte may stand in between: the sensor of service 05, the item count of service 09.
        body = payload[2:]
        return supported_pids(request[1], body[-4:]) if len(body) in (4, 5) else ()
    # Service 01 repeats (id, four bytes); service 02 has the frame number in between.
    step, skip = (6, 2) if request[0] == 0x02 else (5, 1)
    pids: list[int] = []
    for at in range(1, len(payload) - step + 1, step):
        if payload[at] in BITMAP_PIDS:
            pids += supported_pids(payload[at], payload[at + skip : at + skip + 4])
    return pids


def refusal_meaning(message: EcuMessage, bus: Bus) -> str:
    """Return why a module refused, in words, however short its negative response is."""
    code = message.payload[2:3]
    return meaning(code[0], bus) if code else "refused without saying why"


def _refusals(
    exchanges: Sequence[Exchange], address: str, answers: _Answers, bus: Bus
) -> Iterator[str]:
    """Yield what a module refused of its codes and did not answer otherwise."""
    for exchange in exchanges:
        service = exchange.request.service
        # A car older than permanent codes refuses service 0A; that is no fault.
        if service not in CODE_SERVICES or service == 0x0A:
            continue
        for message in exchange.refusals():
            if service == 0x07 and message.payload[2:3] in _NOT_SUPPORTED:
                continue  # as by silence: it need not know pending codes
            if message.source == address and not answers.of(address, exchange.request.payload):
                yield f"service {service:02X} refused: {refusal_meaning(message, bus)}"


def survey_codes(exchanges: Sequence[Exchange], bus: Bus) -> tuple[ModuleCodes, ...]:
    """Return codes, lamp and freeze frames of each module, in address order."""
    answers = _answers(exchanges)
    lamps = {s: status.since_clear.lamp for s, status in _readiness(exchanges).items()}
    context = scales.contexts(exchanges)
    modules: list[ModuleCodes] = []
    for address in addresses(exchanges):
        statuses: dict[tuple[str, str | None], list[str]] = {}
        errors: list[str] = []
        read = False
        for service, status in CODE_SERVICES.items():
            for payload in answers.of(address, bytes([service])):
                read = True
                try:
                    reply = read_codes(payload, bus)
                except DecodeError as error:
                    errors.append(str(error))
                    continue
                if reply.problem:
                    errors.append(reply.problem)
                for code in reply.codes:
                    held = statuses.setdefault((code.text, code.failure_type), [])
                    if status not in held:
                        held.append(status)
        errors += _refusals(exchanges, address, answers, bus)
        errors += _unread(exchanges, address, answers) if read or not errors else []
        modules.append(
            ModuleCodes(
                address=address,
                name=module_name(address),
                answered=read,
                lamp=lamps.get(address),
                codes=tuple(
                    ModuleCode(code, tuple(status), failure_type)
                    for (code, failure_type), status in statuses.items()
                ),
                freeze_frames=_freeze_frames(exchanges, address, context, bus),
                error="; ".join(dict.fromkeys(errors)) or None,
            )
        )
    return tuple(modules)


def _unread(exchanges: Sequence[Exchange], address: str, answers: _Answers) -> list[str]:
    """Return what of the codes of a module was not read, so that nothing looks clean by it."""
    unread = []
    for service, status in CODE_SERVICES.items():
        if answers.of(address, bytes([service])):
            continue
        asked = [e for e in exchanges if e.request.payload == bytes([service])]
        if any(m.source == address for e in asked for m in e.refusals()):
            continue
        what = "stored" if status == "confirmed" else status
        # A module need not know pending and permanent codes; stored ones it must.
        if asked and asked[-1].outcome in _NOT_WHOLE:
            unread.append(f"the answer to the request for {what} codes did not arrive whole")
        elif service == 0x03:
            unread.append("did not answer the request for stored codes")
    return unread


def _freeze_frames(
    exchanges: Sequence[Exchange], address: str, contexts: dict[str, Context], bus: Bus
) -> tuple[FreezeFrame, ...]:
    """Return the frames of a module that a code owns.

    Scales that a frame itself holds (PIDs 4F and 50) apply to all of it, whatever order its
    PIDs were asked in.
    """
    context = contexts.get(address, EMPTY)
    stored: dict[int, dict[int, bytes]] = {}
    for exchange in exchanges:
        asked = exchange.request.payload[1::2]
        if exchange.request.service != 0x02 or not asked or asked[0] in BITMAP_PIDS:
            continue
        for message in exchange.positive():
            if message.source != address:
                continue
            try:
                items, _ = split_known(message.payload, asked, context, reply=FRAME_REPLY, skip=1)
            except DecodeError:
                continue
            for pid, data in items:
                stored.setdefault(data[0], {})[pid] = data[1:]
    frames = [frame_of(number, list(p.items()), context, bus) for number, p in stored.items()]
    return tuple(
        FreezeFrame(f.code, tuple(r for r in f.readings if r.pid != "02"))
        for f in sorted(frames, key=lambda frame: frame.frame)
        if f.code
    )


def _readiness(exchanges: Sequence[Exchange]) -> dict[str, ModuleReadiness]:
    found: dict[str, ModuleReadiness] = {}
    for address, data in latest_data(exchanges).items():
        if len(data.get(0x01, b"")) != 4:
            continue
        this_drive = data.get(0x41, b"")
        found[address] = ModuleReadiness(
            address,
            module_name(address),
            decode_monitors(data[0x01]),
            decode_monitors(this_drive, this_drive=True) if len(this_drive) == 4 else None,
        )
    return found


def survey_readiness(exchanges: Sequence[Exchange]) -> tuple[ModuleReadiness, ...]:
    """Return the monitors of each module that reports them, in address order."""
    return tuple(status for _, status in sorted(_readiness(exchanges).items()))


def survey_counters(exchanges: Sequence[Exchange], bus: Bus) -> Counters:
    """Return the counters since clearing; of several modules the largest figure counts."""
    largest: dict[str, int] = {}
    for readings in latest_readings(exchanges, bus).values():
        for signal, reading in readings.items():
            if isinstance(reading.value, (int, float)) and not isinstance(reading.value, bool):
                largest[signal] = max(largest.get(signal, 0), int(reading.value))
    return Counters(
        warm_ups_since_clear=largest.get("WARM_UPS"),
        distance_since_clear_km=largest.get("CLR_DIST"),
        minutes_since_clear=largest.get("CLR_TIME"),
        distance_with_lamp_km=largest.get("MIL_DIST"),
        minutes_with_lamp=largest.get("MIL_TIME"),
    )


def survey_tests(exchanges: Sequence[Exchange], bus: Bus) -> dict[str, tuple[TestResult, ...]]:
    """Return per module the service 06 results, later ones replacing earlier ones."""
    answers = _answers(e for e in exchanges if e.request.service == 0x06)
    found: dict[str, dict[tuple[object, ...], TestResult]] = {}
    for (address, request), payloads in answers.by_request.items():
        if len(request) < 2 or request[1] in BITMAP_PIDS:
            continue
        for payload in payloads:
            try:
                results = parse_tests(payload, bus)
            except DecodeError:
                continue
            for result in results:
                # The older buses give the lower and the upper limit of a test in a record each.
                key = (result.monitor_id, result.test_id, result.component, result.low is None)
                found.setdefault(address, {})[key] = result
    return {address: tuple(results.values()) for address, results in sorted(found.items())}


def survey_oxygen_tests(exchanges: Sequence[Exchange]) -> dict[str, tuple[OxygenTest, ...]]:
    """Return per module the service 05 results of the older buses, last readings only."""
    found: dict[str, dict[tuple[str, str], OxygenTest]] = {}
    for exchange in exchanges:
        if exchange.request.service != 0x05:
            continue
        for message in exchange.positive():
            try:
                tests = parse_oxygen_tests(message.payload)
            except DecodeError:
                continue
            for test in tests:
                found.setdefault(message.source, {})[test.test_id, test.sensor] = test
    return {address: tuple(tests.values()) for address, tests in sorted(found.items())}


def answered(exchanges: Iterable[Exchange]) -> bool:
    """Return whether any exchange was answered at all."""
    return any(e.outcome in (Outcome.ANSWERED, Outcome.REFUSED) for e in exchanges)
