"""Trouble codes in replies: services 03, 07 and 0A, ISO 14229-1 and ISO 14230-3."""

from __future__ import annotations

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services import older_codes, report_replies
from obdlog.services.code_reply import (
    CONFIRMED,
    PENDING,
    PERMANENT,
    STATUS_BITS,
    Code,
    CodeReply,
    StoredRecord,
    chunks,
    code_from_bytes,
    code_to_bytes,
    status_names,
)
from obdlog.services.layout import check_reply, is_filler

__all__ = [
    "CONFIRMED",
    "PENDING",
    "PERMANENT",
    "STATUS_BITS",
    "STATUS_OF_REPLY",
    "UDS_REPLY",
    "Code",
    "CodeReply",
    "StoredRecord",
    "code_from_bytes",
    "code_to_bytes",
    "parse_codes",
    "read_codes",
    "status_names",
]

STATUS_OF_REPLY = {0x43: CONFIRMED, 0x47: PENDING, 0x4A: PERMANENT}
"""What a code in a reply of services 03, 07 and 0A is (SAE J1979)."""

UDS_REPLY = report_replies.REPLY


def parse_codes(payload: bytes, bus: Bus = Bus.CAN) -> tuple[Code, ...]:
    """Return the codes of a reply of any service that lists codes, without padding.

    Raises
    ------
    DecodeError
        Not such a reply, or cut short.
    """
    return read_codes(payload, bus).codes


def read_codes(payload: bytes, bus: Bus = Bus.CAN, request: bytes = b"") -> CodeReply:
    """Return the codes of a reply, and what disagrees where a count is wrong.

    On CAN a count byte follows services 03, 07 and 0A; on the older buses codes fill messages in
    threes, padded with 0000. `request` is what was asked, where that is known.

    Raises
    ------
    DecodeError
        Not such a reply, or cut short.

    References
    ----------
    SAE J1979, services 03, 07 and 0A; ISO 14229-1, service 19; ISO 14230-3, services 13, 17, 18.
    """
    first = payload[:1]
    if first == bytes([report_replies.REPLY]):
        return report_replies.read_report(payload, request)
    if first and first[0] in older_codes.REPLIES:
        return older_codes.read_older(payload)
    if not payload or payload[0] not in STATUS_OF_REPLY:
        raise DecodeError("not a reply of services 03, 07 or 0A", payload=payload)
    check_reply(payload, payload[0], least=2 if bus is Bus.CAN else 1)
    status = (STATUS_OF_REPLY[payload[0]],)
    body = payload[2:] if bus is Bus.CAN else payload[1:]
    if bus is Bus.CAN and is_filler(body[payload[1] * 2 :]):
        body = body[: payload[1] * 2]
    codes = tuple(
        Code(code_from_bytes(pair), None, status) for pair in chunks(body, 2) if any(pair)
    )
    problem = ""
    if bus is Bus.CAN and payload[1] * 2 != len(body) and payload[1] != len(codes):
        problem = (
            f"the reply counts {payload[1]} codes but carries {len(codes)}; "
            "a reply of an older bus has no count"
        )
    elif len(body) % 2:
        problem = "one byte is left over after the last code"
    return CodeReply(codes, problem)
