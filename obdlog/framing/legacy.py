"""Messages of ISO 9141-2, ISO 14230-4 and SAE J1850, and how several make one answer.

A line holds a whole message: header of three bytes (four where ISO 14230-2 puts the length into
a byte of its own), data, checksum.

References
----------
ISO 9141-2; ISO 14230-2 and -4; SAE J1850; SAE J1979 services 03, 07, 09.
"""

from __future__ import annotations

from collections.abc import Iterable

from obdlog.errors import FramingError
from obdlog.framing.crc import crc8_j1850, sum8
from obdlog.model import UNKNOWN_SOURCE, EcuMessage

TESTER = 0xF1
_FUNCTIONAL_ANSWER = 0x6B
_HEADER = 3
_SHORTEST = _HEADER + 2

_VEHICLE_INFORMATION = 0x49
_CODE_LISTS = frozenset({0x43, 0x47, 0x4A})

# Messages that one item takes, by type of vehicle information: VIN, calibration identification,
# ECU name (SAE J1979 service 09 on the older buses). A multiple means several items.
_MESSAGES_PER_ITEM = {0x02: 5, 0x04: 4, 0x0A: 5}


def parse_sum_message(message: bytes) -> EcuMessage | None:
    """Return the message of ISO 9141-2 or ISO 14230-4, None for one the tester sent.

    Raises
    ------
    FramingError
        Too short, wrong checksum, or a length other than the header's.
    """
    _check_length(message)
    _check_sum(message, sum8(message[:-1]))
    start = _HEADER
    if message[0] & 0x80:
        length = message[0] & 0x3F
        if length == 0:
            length, start = message[_HEADER], _HEADER + 1
        if length != len(message) - start - 1 or length == 0:
            raise FramingError(
                f"header says {length} bytes, {len(message) - start - 1} are there", raw=message
            )
    return _message(message, start)


def parse_crc_message(message: bytes) -> EcuMessage | None:
    """Return the message of SAE J1850, None for one the tester sent.

    Raises
    ------
    FramingError
        Too short, or a wrong checksum.
    """
    _check_length(message)
    _check_sum(message, crc8_j1850(message[:-1]))
    return _message(message, _HEADER)


def has_sum_header(message: bytes) -> bool:
    """Return whether `message` is one of ISO 9141-2 or ISO 14230-4 by header and checksum."""
    if len(message) < _SHORTEST or sum8(message[:-1]) != message[-1]:
        return False
    return message[:2] == bytes([0x48, _FUNCTIONAL_ANSWER]) or (
        message[0] & 0x80 != 0 and message[1] == TESTER
    )


def has_crc_header(message: bytes) -> bool:
    """Return whether `message` is one of SAE J1850 by header and checksum."""
    if len(message) < _SHORTEST or message[1] not in {_FUNCTIONAL_ANSWER, TESTER}:
        return False
    return crc8_j1850(message[:-1]) == message[-1]


def _check_length(message: bytes) -> None:
    if len(message) < _SHORTEST:
        raise FramingError("too short for header, service and checksum", raw=message)


def _check_sum(message: bytes, expected: int) -> None:
    if message[-1] != expected:
        raise FramingError(f"checksum {message[-1]:02X} where {expected:02X} is right", raw=message)


def _message(message: bytes, start: int) -> EcuMessage | None:
    source = message[2]
    if source == TESTER:
        return None
    return EcuMessage(f"{source:02X}", message[start:-1])


def merge(messages: Iterable[EcuMessage], faults: list[str]) -> list[EcuMessage]:
    """Return `messages` with those that make up one answer of one module put together.

    Vehicle information becomes ``49 type 01`` and the data of all messages in the order of
    their numbers; a list of codes becomes its service byte and all codes. Each stands where
    its first message stood. A set with a number missing or twice is dropped, with a fault.
    """
    groups: dict[tuple[str, bytes], list[bytes]] = {}
    order: list[tuple[str, bytes] | EcuMessage] = []
    for message in messages:
        key = _group(message)
        if key is None:
            order.append(message)
            continue
        if key not in groups:
            groups[key] = []
            order.append(key)
        groups[key].append(message.payload)
    merged = []
    for entry in order:
        whole = entry if isinstance(entry, EcuMessage) else _join(entry, groups[entry], faults)
        if whole is not None:
            merged.append(whole)
    return merged


def _group(message: EcuMessage) -> tuple[str, bytes] | None:
    """Return what joins `message` to others: source and leading bytes; None when it is alone."""
    payload = message.payload
    if payload[0] in _CODE_LISTS:
        return message.source, payload[:1]
    # Even types carry numbered messages; odd ones say in one byte how many there will be.
    if payload[0] == _VEHICLE_INFORMATION and len(payload) > 3 and payload[1] % 2 == 0:
        return message.source, payload[:2]
    return None


def _join(key: tuple[str, bytes], payloads: list[bytes], faults: list[str]) -> EcuMessage | None:
    source, head = key
    if len(head) == 1:
        return EcuMessage(source, head + b"".join(p[1:] for p in payloads))
    numbers = sorted(p[2] for p in payloads)
    per_item = _MESSAGES_PER_ITEM.get(head[1], 1)
    if numbers != list(range(1, len(numbers) + 1)):
        problem = "numbered " + " ".join(str(n) for n in numbers[:16])
    elif len(numbers) % per_item:
        problem = f"{len(numbers)} where {per_item} make one item"
    else:
        ordered = sorted(payloads, key=lambda p: p[2])
        return EcuMessage(source, head + b"\x01" + b"".join(p[3:] for p in ordered))
    who = "without a known source" if source == UNKNOWN_SOURCE else f"of {source}"
    faults.append(f"vehicle information {head[1]:02X} {who}: messages {problem}; dropped")
    return None
