"""Questions to a car after SAE J1979-2 (OBD on UDS) that SAE J1979 has no words for.

Current data, monitors, test results and vehicle information are asked in the words of SAE J1979
and translated on the way (`translated`). Codes, what is stored with them, and readiness groups
have requests of their own here.

References
----------
SAE J1979-2 and ISO 14229-1; ``docs/obd-on-uds.md`` says what rests on public sources.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from obdlog import survey
from obdlog.errors import DecodeError
from obdlog.model import FUNCTIONAL, EcuMessage, Exchange, Outcome, Request
from obdlog.modules import usual_request
from obdlog.services import obd_on_uds, trouble_reports
from obdlog.services.codes import read_codes
from obdlog.services.refusals import NOT_SUPPORTED, OTHER_SESSION
from obdlog.services.requests import BITMAP_STEP, supported_pids
from obdlog.transport.base import Transport

if TYPE_CHECKING:
    from obdlog.client import Client

MOST_CODES = 32
"""Codes of one module whose stored data are asked for; no car is known to store more frames."""

MOST_GROUPS = 0x20
ALL_GROUPS = 0xFF
GROUPS_WITHOUT_ANSWER = 2
"""How many readiness groups exist is not public: so many refused in a row end the search."""

_TELLING = (
    Outcome.LOST, Outcome.GARBLED, Outcome.TIMEOUT,
    Outcome.ANSWERED, Outcome.REFUSED, Outcome.NO_DATA,
)  # fmt: skip
"""Which outcome of several parts is that of the whole."""

_NOT_OFFERED = NOT_SUPPORTED | OTHER_SESSION


def has_words(payload: bytes) -> bool:
    """Return whether a request of SAE J1979 is asked by identifiers on a car after J1979-2."""
    return payload[:1] != b"" and payload[0] in obd_on_uds.FAMILIES and len(payload) > 1


def translated(transport: Transport, request: Request) -> Iterator[Exchange]:
    """Send what asks the same as `request`; yield each exchange in the words of SAE J1979."""
    for payload in obd_on_uds.uds_requests(request.payload):
        exchange = transport.exchange(replace(request, payload=payload))
        yield obd_on_uds.classic_exchange(exchange)


def joined(request: Request, parts: Sequence[Exchange]) -> Exchange:
    """Return the exchanges that carried the parts of `request` as one.

    What was lost of one part counts for all; a refusal counts where its module answered nothing.
    """
    if len(parts) == 1:
        return parts[0]
    began_s = parts[0].at_s
    came = [(m, p.at_s - began_s + m.after_s) for p in parts for m in p.messages]
    messages: list[EcuMessage] = []
    for source in dict.fromkeys(m.source for m, _ in came):
        own = [(m.payload, after_s) for m, after_s in came if m.source == source]
        body = obd_on_uds.joined(request.payload, [payload for payload, _ in own])
        messages.append(EcuMessage(source, own[0][0] if body is None else body, own[-1][1]))
    outcomes = {part.outcome for part in parts}
    return Exchange(
        began_s,
        request,
        tuple(messages),
        next(outcome for outcome in _TELLING if outcome in outcomes),
        wire=tuple(chunk for part in parts for chunk in part.wire),
        note="; ".join(dict.fromkeys(part.note for part in parts if part.note)),
        damaged=any(part.damaged for part in parts),
    )


def ask_codes(client: Client) -> None:
    """Ask confirmed and pending codes in one report, and permanent ones."""
    for request in obd_on_uds.CODE_REQUESTS:
        client.ask(request, purpose="codes")


def ask_stored(client: Client) -> None:
    """Ask of each code what was stored with it: snapshots and extended records.

    Each module is asked alone where its address is known, and no longer than it offers them.
    """
    for source, codes in _codes_of(client.exchanges).items():
        target = usual_request(source) or FUNCTIONAL
        reply_from = None if target == FUNCTIONAL else source
        for build in (
            trouble_reports.build_report_snapshots,
            trouble_reports.build_report_extended,
        ):
            for code in codes:
                exchange = client.ask(
                    build(code), purpose="codes", target=target, reply_from=reply_from
                )
                if any(m.refusal_code in _NOT_OFFERED for m in exchange.refusals()):
                    break


def _codes_of(exchanges: Iterable[Exchange]) -> dict[str, tuple[bytes, ...]]:
    """Return the confirmed and pending codes of each module, of its last report."""
    found: dict[str, tuple[bytes, ...]] = {}
    for exchange in exchanges:
        if exchange.request.payload[:2] != _FUNCTIONAL_REPORT:
            continue
        for message in exchange.positive():
            try:
                codes = read_codes(message.payload).codes
            except DecodeError:
                continue
            three = (trouble_reports.code3(c.text, c.failure_type) for c in codes)
            found[message.source] = tuple(dict.fromkeys(three))[:MOST_CODES]
    return found


_FUNCTIONAL_REPORT = bytes([trouble_reports.SERVICE, trouble_reports.FUNCTIONAL])


def ask_groups(client: Client) -> None:
    """Ask the readiness groups: all at once, else one by one until no more are answered."""
    silent = 0
    for group in (ALL_GROUPS, *range(1, MOST_GROUPS + 1)):
        request = trouble_reports.build_readiness_report(readiness_group=group)
        exchange = client.ask(request, purpose="readiness")
        if group == ALL_GROUPS:
            listed = survey.survey_readiness_groups([exchange]).values()
            not_offered = all(m.refusal_code in _NOT_OFFERED for m in exchange.messages)
            if any(any(groups.values()) for groups in listed):
                return
            if exchange.refusals() and not_offered:
                return
            continue
        silent = 0 if exchange.positive() else silent + 1
        if silent == GROUPS_WITHOUT_ANSWER:
            return


def ask_further(client: Client) -> None:
    """Ask the identifiers F5xx that the car announces (F500, F520 …)."""
    for base in range(0, 0x100, BITMAP_STEP):
        exchange = client.ask(_further_request(base), purpose="identify")
        announced = _announced(exchange)
        for low in sorted(announced):
            if low % BITMAP_STEP:
                client.ask(_further_request(low), purpose="identify")
        if base + BITMAP_STEP not in announced:
            return


def _further_request(low: int) -> bytes:
    return bytes([obd_on_uds.SERVICE, obd_on_uds.FURTHER, low])


def _announced(exchange: Exchange) -> frozenset[int]:
    base = exchange.request.payload[2]
    head = bytes([obd_on_uds.FURTHER, base])
    bitmaps = [m.payload[3:] for m in exchange.positive() if m.payload[1:3] == head]
    return frozenset(
        low for bits in bitmaps if len(bits) == 4 for low in supported_pids(base, bits)
    )
