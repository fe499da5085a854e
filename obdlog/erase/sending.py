"""Sends each erase once, reads back, and says what each module did."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from obdlog import survey
from obdlog.addresses import module_name
from obdlog.client import Client
from obdlog.erase.evidence import require_engine_off
from obdlog.erase.orders import EraseOrder
from obdlog.erase.result import Erasure, ModuleErasure
from obdlog.errors import LinkError, NoAnswerError, ObdlogError, SessionFileError
from obdlog.model import Bus, Exchange, Outcome
from obdlog.module_dialogue import Dialogue
from obdlog.module_reading import read_legislated, read_modules
from obdlog.modules import Module
from obdlog.services.refusals import OTHER_SESSION
from obdlog.session.writer import SessionWriter
from obdlog.survey import ModuleCodes
from obdlog.transport.base import Transport
from obdlog.transport.recording import RecordingTransport

READ_BACK_TRIES = 3
READ_BACK_PAUSE_S = 3.0
NOT_SENT = "what went wrong before came first"
NO_SESSION = "it did not open its extended session"


def send_erase(
    transport: Transport,
    session: SessionWriter,
    before: Sequence[ModuleCodes],
    orders: Sequence[EraseOrder],
    *,
    skipped: Mapping[Module, str] | None = None,
    stated_off: bool = False,
    extended: bool = False,
    every_report: bool = False,
) -> Erasure:
    """Send each erase of `orders` once, read back, and return what each module did.

    Right before each the engine is checked again, and that the erase is sent is on disk before
    it goes out. Whatever fails from the first one on is part of the result, not an exception:
    the user must learn that an erase went out. Silence is never answered by a second erase: the
    read-back tells.

    Parameters
    ----------
    transport
        The connected road itself, not a recording one.
    session
        Takes the erases and the read-back.
    before
        The code reading of the evidence.
    orders
        What to send, in order.
    skipped
        Modules that the user named and that are not erased, and why.
    extended
        The user allowed the extended session where a module refuses to be read or erased
        without it. Then, and only after such a refusal, its erase is sent once more in it.
    every_report
        Ask the legislated modules also what only service 19 lists, as the evidence did.

    Raises
    ------
    RefusedError, SessionFileError, LinkError
        Before the first erase went out; nothing was erased.
    KeyboardInterrupt
        An erase may have gone out; the session says so.
    """
    # Who was merely heard in a search was not read, and no erase goes there.
    before = [m for m in before if m.answered or m.error]
    recording = RecordingTransport(transport, session)
    guard = Client(recording)
    sent: list[tuple[EraseOrder, Exchange]] = []
    left_out = dict(skipped or {})
    trouble: ObdlogError | None = None
    waiting = list(orders)
    while waiting and trouble is None:
        order = waiting.pop(0)
        try:
            require_engine_off(guard, stated_off=stated_off)
            with _session(guard, order) as ready:
                if order.module is not None and not ready:
                    left_out[order.module] = NO_SESSION
                    continue
                session.mark(order.text)
                session.sync()
                exchange, trouble = _send(transport, recording, session, order)
                sent.append((order, exchange))
            if extended and trouble is None and _refused_outside_session(order, exchange):
                # Its own word that nothing was erased: no silence is answered here.
                sent.pop()
                waiting.insert(0, replace(order, in_session=True))
        except ObdlogError as error:
            if not sent:
                raise
            trouble = trouble or error
    read: tuple[Exchange, ...] = ()
    if not isinstance(trouble, LinkError):
        expected = _expected(before, sent, left_out)
        read, fault = _read_back(
            transport, recording, expected, sent, extended=extended, every_report=every_report
        )
        trouble = trouble or fault
    after = survey.survey_codes(read, guard.bus)
    went_out = {order.module for order, _ in sent}
    for order in orders:
        if order.module is not None and order.module not in went_out:
            left_out.setdefault(order.module, NOT_SENT)
    results = _results(sent, before, after, left_out, guard.bus)
    if None not in went_out and any(order.module is None for order in orders):
        alone = {m.response for m in left_out}
        alone |= {order.module.response for order in orders if order.module is not None}
        results += tuple(_not_sent(m) for m in before if m.address not in alone)
    return Erasure(tuple(sorted(results, key=_place)), after, trouble)


def _place(module: ModuleErasure) -> tuple[bool, int, str]:
    """Return where a module stands in a list: the legislated ones first, then by address."""
    return module.request is not None, len(module.address), module.address


def _not_sent(module: ModuleCodes) -> ModuleErasure:
    """Return the entry of a legislated module whose erase did not go out."""
    return ModuleErasure(
        address=module.address,
        name=module.name,
        accepted=None,
        refusal=NOT_SENT,
        before=_evident(module),
        after=None,
        sent=False,
    )


def _refused_outside_session(order: EraseOrder, exchange: Exchange) -> bool:
    """Return whether the module itself says that it erases in another session only."""
    return (
        order.module is not None
        and not order.in_session
        and not exchange.positive()
        and any(m.refusal_code in OTHER_SESSION for m in exchange.refusals())
    )


@contextlib.contextmanager
def _session(client: Client, order: EraseOrder) -> Iterator[bool]:
    """Yield whether the module of `order` is in the session that it needs, and leave that again."""
    if order.module is None or not order.in_session:
        yield True
        return
    with Dialogue(client, order.module, extended=True).extended_session() as opened:
        yield opened


def _send(
    transport: Transport, recording: RecordingTransport, session: SessionWriter, order: EraseOrder
) -> tuple[Exchange, ObdlogError | None]:
    """Return the exchange of one erase, and what went wrong from then on."""
    exchange = Exchange(transport.clock.now_s(), order.request, (), Outcome.LOST)
    trouble: ObdlogError | None = None
    try:
        exchange = transport.exchange(order.request)
    except LinkError as error:
        trouble = error
    finally:
        try:
            recording.keep(exchange)
            session.sync()
        except SessionFileError as error:
            trouble = trouble or error
    return exchange, trouble


def _expected(
    before: Sequence[ModuleCodes],
    sent: Sequence[tuple[EraseOrder, Exchange]],
    left_out: Mapping[Module, str],
) -> set[str]:
    """Return the addresses that an erase went to and that must be read back."""
    alone = {order.module.response for order, _ in sent if order.module is not None}
    if all(order.module is not None for order, _ in sent):
        return alone
    return alone | {m.address for m in before} - {m.response for m in left_out}


def _read_back(
    transport: Transport,
    recording: RecordingTransport,
    expected: set[str],
    sent: Sequence[tuple[EraseOrder, Exchange]],
    *,
    extended: bool,
    every_report: bool,
) -> tuple[tuple[Exchange, ...], ObdlogError | None]:
    """Read codes and readiness, again after a pause while a module is missing.

    A module may restart after an erase (common practice, no source). A session that cannot be
    written any more does not keep the user from learning what the car says.
    """
    modules = [order.module for order, _ in sent if order.module is not None]
    generic = len(modules) < len(sent)
    road: Transport = recording
    trouble: ObdlogError | None = None
    read: tuple[Exchange, ...] = ()
    for attempt in range(READ_BACK_TRIES):
        if attempt:
            transport.clock.sleep_s(READ_BACK_PAUSE_S)
        client = Client(road)
        try:
            if modules:
                read_modules(client, modules, extended=extended)
            if generic:
                client.read_codes()
                client.read_readiness()
                if every_report:
                    read_legislated(client)
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
        modules = [m for m in modules if m.response not in whole]
    return read, trouble


def _is_whole(module: ModuleCodes) -> bool:
    return module.answered and module.error is None


def _results(
    sent: Sequence[tuple[EraseOrder, Exchange]],
    before: Sequence[ModuleCodes],
    after: Sequence[ModuleCodes],
    left_out: Mapping[Module, str],
    bus: Bus,
) -> tuple[ModuleErasure, ...]:
    """Return what each module did, from its answer and the two code readings."""
    held = {m.address: m for m in before}
    now = {m.address: m for m in after}
    found: list[ModuleErasure] = []
    alone = {m.response for m in left_out}
    alone |= {order.module.response for order, _ in sent if order.module is not None}
    for order, exchange in sent:
        accepted = {m.source for m in exchange.positive()}
        refused = {
            m.source: survey.refusal_meaning(m, bus)
            for m in exchange.refusals()
            if not m.is_pending
        }
        if order.module is not None:
            asked = {order.module.response}
        else:
            asked = {*held, *now, *accepted, *refused} - alone
        found += [
            _result(
                address,
                order.module,
                # Without headers several modules are one address: a refusal among them counts.
                False if address in refused else True if address in accepted else None,
                refused.get(address),
                held.get(address),
                now.get(address),
                asks_for_session=_refused_outside_session(order, exchange),
            )
            for address in sorted(asked)
        ]
    found += [
        ModuleErasure(
            address=module.response,
            name=module.name,
            accepted=None,
            refusal=reason,
            before=_evident(held.get(module.response)),
            after=None,
            request=module.request,
            sent=False,
        )
        for module, reason in left_out.items()
    ]
    return tuple(found)


def _result(
    address: str,
    module: Module | None,
    accepted: bool | None,
    refusal: str | None,
    before: ModuleCodes | None,
    after: ModuleCodes | None,
    *,
    asks_for_session: bool,
) -> ModuleErasure:
    read = after if after is not None and _is_whole(after) else None
    stored = (c for c in read.codes if {"confirmed", "pending"} & set(c.status)) if read else ()
    return ModuleErasure(
        address=address,
        name=module.name if module else module_name(address),
        accepted=accepted,
        refusal=refusal,
        before=_evident(before),
        after=_texts(read, failed=True) if read else None,
        stored=tuple(c.code for c in stored),
        request=module.request if module else None,
        lamp=read.lamp if read else None,
        asks_for_session=asks_for_session,
    )


def _evident(module: ModuleCodes | None) -> tuple[str, ...] | None:
    """Return the codes that the evidence holds of a module, None where it was not read."""
    return _texts(module) if module is not None and (module.answered or module.codes) else None


def _texts(module: ModuleCodes | None, *, failed: bool = False) -> tuple[str, ...]:
    """Return the codes of a module; where `failed`, without those listed only for their lamp."""
    codes = module.codes if module else ()
    return tuple(c.code for c in codes if not (failed and c.only_for_its_lamp))
