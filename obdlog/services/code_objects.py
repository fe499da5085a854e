"""Replies with trouble codes as the part of the ``decode`` command's JSON object they fill."""

from __future__ import annotations

from collections.abc import Callable

from obdlog.codes.meaning import describe, failure_words
from obdlog.model import Bus
from obdlog.services import codes, older_codes
from obdlog.services.asked import Asked, JsonObject, reading_object, two_digits
from obdlog.services.code_reply import Code, CodeReply, StoredRecord
from obdlog.services.report_replies import NUMBERINGS
from obdlog.services.snapshots import snapshot_readings


def code_object(code: Code) -> JsonObject:
    """Return one code as a JSON object; bytes beside it only where the reply has them."""
    found: JsonObject = {
        "code": code.text,
        "status": code.status[0] if code.status else None,
        "statuses": list(code.status),
        "failure_type": code.failure_type,
        "failure_meaning": failure_words(code.failure_type) or None,
        "meaning": describe(code.text).meaning,
    }
    extra = {
        "status_byte": two_digits(code.status_byte),
        "severity": two_digits(code.severity),
        "symptom": code.symptom or None,
    }
    return found | {key: value for key, value in extra.items() if value is not None}


def _record(record: StoredRecord) -> JsonObject:
    """Return one stored record: its number, its bytes, and those that can be told apart."""
    found: JsonObject = {"record": two_digits(record.number), "hex": record.data.hex().upper()}
    if record.items:
        found["identifiers"] = {
            f"{number:04X}": data.hex().upper() for number, data in record.items
        }
    return found


def _codes(reply: bytes, asked: Asked, result: JsonObject) -> None:
    found = codes.read_codes(reply, asked.bus, asked.request)
    if found.count is None or found.report is None:
        result["codes"] = [code_object(code) for code in found.codes]
    result["error"] = found.problem or None
    info = _info(found)
    if info:
        result["info"] = info
    readings = [
        {**reading_object(r), "frame": record.number}
        for record in found.records
        for r in snapshot_readings(record, asked.context, Bus.CAN)
    ]
    if readings:
        result["readings"] = readings
    if found.data and not (found.records and all(r.whole for r in found.records)):
        how = "read in part only" if readings else "not read"
        result["error"] = result["error"] or (
            f"what stands behind the code is {how}: only the maker defines it"
        )


def _info(found: CodeReply) -> JsonObject:
    if found.report is not None and found.count is not None:
        return {
            "count": found.count,
            "available": two_digits(found.available),
            "numbering": _numbering(found.numbering),
        }
    told: JsonObject = {
        "readiness_group": two_digits(found.readiness_group),
        "record": two_digits(found.record),
        "hex": found.data.hex().upper() or None,
        "records": [_record(r) for r in found.records] or None,
    }
    return {key: value for key, value in told.items() if value is not None}


def _numbering(number: int | None) -> str | None:
    return None if number is None else NUMBERINGS.get(number, f"reserved ({number:02X})")


CODE_DECODERS: dict[int, Callable[[bytes, Asked, JsonObject], None]] = dict.fromkeys(
    (*codes.STATUS_OF_REPLY, codes.UDS_REPLY, *older_codes.REPLIES), _codes
)
"""What fills the object from each reply with trouble codes, by its first byte."""
