"""Requests are what SAE J1979 says, and misuse is refused before it reaches a car."""

from __future__ import annotations

import pytest

from obdlog.services import requests
from obdlog.services.registry import SERVICES, changes_vehicle


@pytest.mark.parametrize(
    ("built", "expected"),
    [
        (requests.build_current_data([0x0C]), "010C"),
        (requests.build_current_data([0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F]), "0104050B0C0D0F"),
        (requests.build_freeze_frame(0x05), "020500"),
        (requests.build_freeze_frame(0x05, 1), "020501"),
        (requests.build_stored_codes(), "03"),
        (requests.build_clear(), "04"),
        (requests.build_oxygen_tests(0x01, 0x02), "050102"),
        (requests.build_onboard_tests(0xA1), "06A1"),
        (requests.build_pending_codes(), "07"),
        (requests.build_vehicle_info(0x02), "0902"),
        (requests.build_permanent_codes(), "0A"),
    ],
)
def test_payload(built: bytes, expected: str) -> None:
    assert built.hex().upper() == expected


@pytest.mark.parametrize("pids", [[], [1, 2, 3, 4, 5, 6, 7], [256], [-1]])
def test_impossible_pid_lists_are_misuse(pids: list[int]) -> None:
    with pytest.raises(ValueError, match="PID"):
        requests.build_current_data(pids)


def test_support_bitmap_names_the_identifiers_after_its_own() -> None:
    """Published example of SAE J1979 bitmaps: BE 1F A8 13, PIDs 01–20."""
    assert requests.supported_pids(0x00, bytes.fromhex("BE1FA813")) == (
        *(0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11),
        *(0x13, 0x15, 0x1C, 0x1F, 0x20),
    )


def test_the_last_bitmap_ends_at_ff() -> None:
    assert requests.supported_pids(0xE0, b"\xff" * 4) == tuple(range(0xE1, 0x100))


@pytest.mark.parametrize(("base", "data"), [(0x01, b"\0" * 4), (0x00, b"\0" * 3), (0x100, b"")])
def test_what_is_no_bitmap_is_misuse(base: int, data: bytes) -> None:
    with pytest.raises(ValueError, match="bitmap"):
        requests.supported_pids(base, data)


@pytest.mark.parametrize(
    ("payload", "changes"),
    [
        *((text, False) for text in ("010C", "020500", "03", "050101", "06A1", "07", "0902")),
        *((text, False) for text in ("0A", "1902FF", "22F190", "3E00", "1001", "1081")),
        *((text, False) for text in ("1802FF00", "17FF00", "13FF00", "1A90", "194233081E")),
        *((text, True) for text in ("04", "08", "1002", "1003", "10", "1101", "14FFFFFF")),
        *((text, True) for text in ("2701", "280001", "2EF190", "2F0001", "310101", "3400")),
        *((text, True) for text in ("35", "36", "37", "3D", "85", "AA", "", "00")),
    ],
)
def test_what_may_change_the_vehicle(payload: str, changes: bool) -> None:
    assert changes_vehicle(bytes.fromhex(payload)) is changes


def test_a_reply_is_forty_hex_above_its_service() -> None:
    assert {s.reply - s.number for s in SERVICES.values()} == {0x40}
