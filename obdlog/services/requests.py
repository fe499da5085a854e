"""Builders of request payloads, and the support bitmaps that say what may be requested."""

from __future__ import annotations

from collections.abc import Sequence

MAX_PIDS_PER_REQUEST = 6
"""Most PIDs that one service 01 request may carry, on CAN only (SAE J1979)."""

BITMAP_STEP = 0x20
"""Identifiers 00, 20, 40 … E0 carry the bitmap of the 32 identifiers that follow."""


def _byte(value: int, name: str) -> int:
    if not 0 <= value <= 0xFF:
        raise ValueError(f"{name} must be within 00 and FF, not {value}")
    return value


def build_current_data(pids: Sequence[int]) -> bytes:
    """Return the service 01 request for up to six `pids` (more than one only on CAN).

    Raises
    ------
    ValueError
        No PID, more than six, or one outside a byte.
    """
    if not 1 <= len(pids) <= MAX_PIDS_PER_REQUEST:
        raise ValueError(f"a request carries 1 to {MAX_PIDS_PER_REQUEST} PIDs, not {len(pids)}")
    return bytes([0x01, *(_byte(pid, "a PID") for pid in pids)])


def build_freeze_frame(pid: int, frame: int = 0) -> bytes:
    """Return the service 02 request for one `pid` of freeze frame `frame`."""
    return bytes([0x02, _byte(pid, "a PID"), _byte(frame, "a frame number")])


def build_stored_codes() -> bytes:
    """Return the service 03 request."""
    return b"\x03"


def build_clear() -> bytes:
    """Return the service 04 request, which erases: see `registry.changes_vehicle`."""
    return b"\x04"


def build_oxygen_tests(tid: int, sensor: int) -> bytes:
    """Return the service 05 request for test `tid` of `sensor`, its bit in PID 13 or 1D."""
    return bytes([0x05, _byte(tid, "a test id"), _byte(sensor, "a sensor")])


def build_onboard_tests(mid: int) -> bytes:
    """Return the service 06 request for monitor `mid` (a test id on the older buses)."""
    return bytes([0x06, _byte(mid, "a monitor id")])


def build_pending_codes() -> bytes:
    """Return the service 07 request."""
    return b"\x07"


def build_vehicle_info(info_type: int) -> bytes:
    """Return the service 09 request for `info_type`."""
    return bytes([0x09, _byte(info_type, "an information type")])


def build_permanent_codes() -> bytes:
    """Return the service 0A request."""
    return b"\x0a"


def supported_pids(base: int, data4: bytes) -> tuple[int, ...]:
    """Return the identifiers that the bitmap `data4` of identifier `base` names, ascending.

    The last bit of a bitmap is the next bitmap's own identifier. A bitmap shorter or longer
    than four bytes, or of a `base` that is none, is misuse.

    Raises
    ------
    ValueError
        `base` is not 00, 20 … E0, or `data4` is not four bytes.
    """
    if base % BITMAP_STEP or not 0 <= base <= 0xE0:
        raise ValueError(f"{base:02X} is not the identifier of a support bitmap")
    if len(data4) != 4:
        raise ValueError(f"a support bitmap has 4 bytes, not {len(data4)}")
    bits = int.from_bytes(data4, "big")
    last = min(BITMAP_STEP, 0xFF - base)
    return tuple(base + n for n in range(1, last + 1) if bits & (1 << (BITMAP_STEP - n)))
