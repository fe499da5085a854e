"""What modules stored together with a code: freeze frames, snapshots, extended records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from obdlog.errors import DecodeError
from obdlog.model import Bus, Exchange, Reading
from obdlog.services import trouble_reports
from obdlog.services.codes import read_codes
from obdlog.services.current_data import split_known
from obdlog.services.freeze_frame import REPLY as FRAME_REPLY
from obdlog.services.freeze_frame import frame_of
from obdlog.services.snapshots import snapshot_readings
from obdlog.survey.answers import Answers
from obdlog.survey.data import BITMAP_PIDS
from obdlog.tables.decode import Context

SNAPSHOT, EXTENDED = "snapshot", "extended"
_KINDS = {trouble_reports.SNAPSHOTS: SNAPSHOT, trouble_reports.EXTENDED: EXTENDED}


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """The readings a module stored when `code` was set; `record` is its number of ISO 14229-1."""

    code: str
    readings: tuple[Reading, ...]
    failure_type: str | None = None
    record: int | None = None


@dataclass(frozen=True, slots=True)
class CodeRecord:
    """A record stored with a code: `kind` is ``snapshot`` or ``extended``, `data` its bytes.

    Of the bytes only what a public table describes becomes `readings`.
    """

    kind: str
    number: int
    data: bytes
    readings: tuple[Reading, ...] = ()


def freeze_frames(
    exchanges: Sequence[Exchange], address: str, context: Context, bus: Bus
) -> tuple[FreezeFrame, ...]:
    """Return the frames of a module that a code owns.

    Scales that a frame itself holds (PIDs 4F and 50) apply to all of it, whatever order its
    PIDs were asked in.
    """
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


def stored_records(
    answers: Answers, address: str, context: Context
) -> dict[tuple[str, str | None], tuple[CodeRecord, ...]]:
    """Return the records of a module by code and failure type (reports 04 and 06)."""
    found: dict[tuple[str, str | None], dict[tuple[str, int], CodeRecord]] = {}
    for request, payload in answers.by_service(address, trouble_reports.SERVICE):
        if len(payload) < 2 or payload[1] not in _KINDS:
            continue
        try:
            reply = read_codes(payload, request=request)
        except DecodeError:
            continue
        kind = _KINDS[payload[1]]
        for code in reply.codes:
            for record in reply.records:
                found.setdefault((code.text, code.failure_type), {})[kind, record.number] = (
                    CodeRecord(kind, record.number, record.data, snapshot_readings(record, context))
                )
    return {code: tuple(records.values()) for code, records in found.items()}
