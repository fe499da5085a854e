"""What a recorded session holds of each PID, whatever requests it was asked in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from obdlog.errors import DecodeError
from obdlog.model import EcuMessage, Exchange, Outcome, Request
from obdlog.services import obd_on_uds, scales
from obdlog.services.current_data import split_current_data
from obdlog.services.freeze_frame import split_freeze_frame
from obdlog.tables.decode import EMPTY, Context

CURRENT_DATA = 0x01
FREEZE_FRAME = 0x02
_FAMILY = bytes([obd_on_uds.FAMILIES[CURRENT_DATA]])

Sample = tuple[float, float, bytes]


class Samples:
    """The data of each item of each module, in recorded order."""

    def __init__(self, exchanges: Iterable[Exchange]) -> None:
        self._of: dict[str, dict[tuple[int, bytes], list[Sample]]] = {}
        self._used: dict[tuple[str, int, bytes], int] = defaultdict(int)
        recorded = [e for e in exchanges if items_of(e.request.payload)]
        shown = [obd_on_uds.classic_exchange(e) for e in recorded]
        contexts = scales.contexts(shown)
        for raw, exchange in zip(recorded, shown, strict=True):
            service = raw.request.service
            asked = [item[0] for item in items_of(exchange.request.payload)]
            for message in exchange.positive():
                try:
                    context = contexts.get(message.source, EMPTY)
                    found = _split(exchange.request.service, message.payload, asked, context)
                except DecodeError:
                    continue
                module = self._of.setdefault(message.source, {})
                for item, data in found:
                    sample = (exchange.at_s, message.after_s, data)
                    name = _FAMILY + item if service == obd_on_uds.SERVICE else item
                    module.setdefault((service, name), []).append(sample)

    def answer(self, request: Request, source: str | None) -> Exchange | None:
        """Return the next samples of the items in `request`, None when there are none at all."""
        messages: list[EcuMessage] = []
        at_s = 0.0
        for module, samples in self._of.items():
            if source is not None and module != source:
                continue
            payload = bytes([request.service + 0x40])
            after_s = 0.0
            for item in items_of(request.payload):
                if (request.service, item) in samples:
                    sample_at_s, sample_after_s, data = self._next(module, request.service, item)
                    payload += item + data
                    at_s = max(at_s, sample_at_s)
                    after_s = max(after_s, sample_after_s)
            if len(payload) > 1:
                messages.append(EcuMessage(module, payload, after_s))
        return build_answer(at_s, request, tuple(messages)) if messages else None

    def _next(self, module: str, service: int, item: bytes) -> Sample:
        samples = self._of[module][service, item]
        used = self._used[module, service, item]
        self._used[module, service, item] = used + 1
        return samples[min(used, len(samples) - 1)]


def items_of(payload: bytes) -> tuple[bytes, ...]:
    """Return what a request asks for one by one: a PID, in service 02 with its frame number.

    In service 22 they are the identifiers of current data.
    """
    if payload[0] == CURRENT_DATA:
        return tuple(bytes([pid]) for pid in payload[1:])
    if payload[0] == FREEZE_FRAME and len(payload) % 2:
        return tuple(payload[at : at + 2] for at in range(1, len(payload), 2))
    if (obd_on_uds.classic_request(payload) or b"")[:1] == bytes([CURRENT_DATA]):
        return tuple(payload[at : at + 2] for at in range(1, len(payload), 2))
    return ()


def _split(
    service: int, payload: bytes, asked: Sequence[int], context: Context
) -> list[tuple[bytes, bytes]]:
    """Return item and data of everything in a reply of service 01 or 02."""
    if service == FREEZE_FRAME:
        return [
            (bytes([pid, frame]), data)
            for pid, frame, data in split_freeze_frame(payload, asked, context)
        ]
    return [(bytes([pid]), data) for pid, data in split_current_data(payload, asked, context)]


def build_answer(at_s: float, request: Request, messages: tuple[EcuMessage, ...]) -> Exchange:
    """Return an exchange that `messages` answer, of no data where there are none."""
    outcome = Outcome.NO_DATA
    if messages:
        refused = all(m.refused for m in messages)
        outcome = Outcome.REFUSED if refused else Outcome.ANSWERED
    return Exchange(at_s, request, messages, outcome)


_LIST_HEAD, _LIST_RECORD = 6, 5
"""Bytes of a list of codes of SAE J1979-2 (19 42), and of each code: severity, code, status."""


def one_list(messages: Iterable[EcuMessage]) -> tuple[EcuMessage, ...]:
    """Return the lists of each module as one, each code once and as it was listed last."""
    heads: dict[str, EcuMessage] = {}
    records: dict[str, dict[bytes, bytes]] = defaultdict(dict)
    refusals: dict[str, EcuMessage] = {}
    for message in messages:
        if message.refused:
            refusals[message.source] = message
            continue
        heads[message.source] = message
        body = message.payload[_LIST_HEAD:]
        for at in range(0, len(body), _LIST_RECORD):
            record = body[at : at + _LIST_RECORD]
            records[message.source][record[1:4]] = record
    lists = [
        EcuMessage(
            source, head.payload[:_LIST_HEAD] + b"".join(records[source].values()), head.after_s
        )
        for source, head in heads.items()
    ]
    return (*lists, *(m for source, m in refusals.items() if source not in heads))
