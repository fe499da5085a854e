"""Payloads to frames on each bus: the sending side only, independent of the product's reader."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.simulator.buses import TESTER, BusKind, response_id

CRC_8_POLYNOMIAL = 0x1D


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame: `after_s` after the answer began; `used` counts data bytes without padding.

    On CAN `source` is the identifier and `data` the eight data bytes; elsewhere `source` is the
    node, `header` the three header bytes and `check` the checksum.
    """

    source: int
    data: bytes
    after_s: float
    used: int
    header: bytes = b""
    check: bytes = b""


def crc8_j1850(data: bytes) -> int:
    """Return the SAE J1850 checksum: polynomial 1D, initial and final value FF."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ CRC_8_POLYNOMIAL if crc & 0x80 else crc << 1
            crc &= 0xFF
    return crc ^ 0xFF


def sum8(data: bytes) -> int:
    """Return the checksum of ISO 9141-2 and ISO 14230: the sum modulo 256."""
    return sum(data) & 0xFF


def build_can_frames(
    identifier: int, payload: bytes, *, padding: int = 0x00, gap_s: float = 0.001
) -> list[Frame]:
    """Return the frames of ISO 15765-2: a single frame, or a first and consecutive ones."""
    fill = bytes([padding])
    if len(payload) <= 7:
        data = bytes([len(payload)]) + payload
        return [Frame(identifier, data.ljust(8, fill), 0.0, len(data))]
    first = (0x1000 | len(payload)).to_bytes(2, "big") + payload[:6]
    frames = [Frame(identifier, first, 0.0, 8)]
    for number, start in enumerate(range(6, len(payload), 7), 1):
        data = bytes([0x20 | number & 0x0F]) + payload[start : start + 7]
        # Flow control goes out between the first frame and the rest.
        frames.append(Frame(identifier, data.ljust(8, fill), 0.002 + gap_s * number, len(data)))
    return frames


def build_legacy_frame(kind: BusKind, address: str, payload: bytes) -> Frame:
    """Return the message with header and checksum of J1850, ISO 9141-2 or ISO 14230-4."""
    node = response_id(kind, address)
    if kind.family == "kwp":
        header = bytes([0x80 | len(payload), TESTER, node])
    else:
        header = kind.response_lead + bytes([node])
    whole = header + payload
    check = crc8_j1850(whole) if kind.family == "j1850" else sum8(whole)
    per_byte_s = 10.0 / kind.bit_rate
    gap_s = 0.004 if kind.family == "j1850" else 0.026
    after_s = gap_s + per_byte_s * (len(whole) + 1)
    return Frame(node, payload, after_s, len(payload), header, bytes([check]))
