"""Service 02: what service 01 has, with a frame number behind each PID."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.services.decode import decode_line
from obdlog.services.freeze_frame import parse_freeze_frames, split_freeze_frame
from obdlog.tables import signals


def decode(reply: str, request: str | None = None, context: list[str] | None = None) -> Any:
    return decode_line({"reply": reply, "request": request, "context": context})


def values(result: dict[str, Any]) -> dict[str, Any]:
    return {r["signal"]: r["value"] for r in result["readings"]}


KNOWN = [(pid, length) for pid in range(256) for length in signals.lengths(pid)]


@pytest.mark.parametrize(("pid", "length"), KNOWN)
@pytest.mark.parametrize("filling", [0x00, 0x5A, 0xFF])
def test_every_pid_reads_as_in_service_01(pid: int, length: int, filling: int) -> None:
    data = bytes([filling] * length).hex()
    live = decode(f"41{pid:02X}{data}", f"01{pid:02X}")
    frozen = decode(f"42{pid:02X}03{data}", f"02{pid:02X}03")
    assert frozen["error"] is None
    assert [dict(r, frame=3) for r in live["readings"]] == frozen["readings"]
    assert frozen["info"]["frame"] == 3


def test_frame_numbers_stand_between_pid_and_data() -> None:
    found = split_freeze_frame(bytes.fromhex("4205007B0C001AF8"))
    assert found == ((0x05, 0, b"\x7b"), (0x0C, 0, b"\x1a\xf8"))


def test_no_freeze_frame_is_told_by_a_zero_code() -> None:
    ((empty,), _) = parse_freeze_frames(bytes.fromhex("4202000000"))
    assert (empty.empty, empty.code) == (True, None)
    ((held,), _) = parse_freeze_frames(bytes.fromhex("4202000102"))
    assert (held.empty, held.code) == (False, "P0102")


def test_several_pids_of_several_frames_in_one_reply() -> None:
    result = decode("420200030105007B0201011305015A", "020200050002010501")
    assert result["error"] is None
    assert result["info"] == {
        "frames": [
            {"frame": 0, "stored": True, "code": "P0301"},
            {"frame": 1, "stored": True, "code": "P0113"},
        ]
    }
    assert [(r["frame"], r["value"]) for r in result["readings"] if r["signal"] == "ECT"] == [
        (0, 83),
        (1, 50),
    ]
    assert [c["code"] for c in result["codes"]] == ["P0301", "P0113"]


def test_bitmaps_belong_to_a_frame() -> None:
    """SAE J1979: PID 00 of a frame names the PIDs that the frame holds."""
    result = decode("420001" + "78080000", "020001")
    assert result["info"] == {"frame": 1}
    assert result["readings"][0]["value"] == "02 03 04 05 0D"


@pytest.mark.parametrize("context", ["414F0000001E", "424F000000001E", "62F44F0000001E"])
def test_full_scales_come_from_services_01_02_and_22(context: str) -> None:
    """SAE J1979, PID 4F: byte D × 10 kPa is the full scale of PID 0B."""
    assert values(decode("420B00FF", context=[context]))["MAP"] == 300
    assert values(decode("420B00FF"))["MAP"] == 255


def test_a_frame_s_own_scales_apply_to_it_alone() -> None:
    result = decode("420B00FF4F000000001E0B01FF", "020B004F000B01")
    found = [(r["frame"], r["value"]) for r in result["readings"] if r["signal"] == "MAP"]
    assert found == [(0, 300), (1, 255)]


def test_an_unknown_pid_does_not_take_the_others_with_it() -> None:
    result = decode("420D0032FE007D", "020D00FE00")
    assert values(result) == {"VSS": 50}
    assert "PID FE" in result["error"]


def test_another_frame_than_the_one_asked_for_is_named() -> None:
    assert "frame 2" in decode("420D0232", "020D00")["error"]


@given(st.binary(max_size=64), st.none() | st.lists(st.integers(0, 255), max_size=6))
def test_random_bytes_raise_only_decode_errors(body: bytes, requested: list[int] | None) -> None:
    try:
        frames, problem = parse_freeze_frames(b"\x42" + body, requested=requested)
    except DecodeError:
        return
    assert frames or problem
