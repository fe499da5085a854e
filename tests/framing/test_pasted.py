"""Pasted terminal text: what is a request, a remark of the adapter, a data line."""

from __future__ import annotations

import pytest

from obdlog.framing.pasted import is_tester, read_pasted
from obdlog.services.decode import decode_line


@pytest.mark.parametrize(
    ("line", "request_"),
    [
        ("010C", "010C"), ("01 0c", "010C"), ("010C1", "010C"), (">03", "03"), ("0902", "0902"),
        ("> 01 0C 0D", "010C0D"), ("22F40C", "22F40C"), (">ATZ", None), ("AT SP 0", None),
    ],
)  # fmt: skip
def test_what_was_typed_is_no_data(line: str, request_: str | None) -> None:
    found = read_pasted([line])
    assert found.lines == ()
    assert found.request == (bytes.fromhex(request_) if request_ else None)


@pytest.mark.parametrize(
    "line",
    [
        "7E8 04 41 0C 1A F8", "18 DA F1 10 04 41 0C 1A F8", "48 6B 10 41 0C 1A F8 D2", "014",
        "0: 49 02 01 31 4D 38", "41 0C 1A F8", "7F 01 12", "junk",
    ],
)  # fmt: skip
def test_what_is_no_request_stays_data(line: str) -> None:
    assert read_pasted([line]).lines == (line,)


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        ("7E8#04410C1FD0000000", "7E8 04410C1FD0000000"),
        ("7e8#04410c1fd0", "7E8 04410C1FD0"),
        ("18DAF110#04410C1FD0", "18DAF110 04410C1FD0"),
        ("(1520951000.0) can0 7E8#04410C1FD0000000", "7E8 04410C1FD0000000"),
        ("  (1520951000.000000)  can0  7E8#04410C1FD0000000 R", "7E8 04410C1FD0000000"),
        ("7DF#02010C", "7DF 02010C"),
    ],
)
def test_frames_as_candump_writes_them_are_data(line: str, frame: str) -> None:
    """The form is that of candump -L (can-utils)."""
    assert read_pasted([line]).lines == (frame,)


@pytest.mark.parametrize(
    "line", ["7E8#", "7E8#04410", "7E8##104410C1FD0", "7E8#R", "7E#04410C", "can0 7E8#04410C"]
)
def test_what_only_looks_like_a_frame_is_passed_on_as_it_stands(line: str) -> None:
    assert read_pasted([line]).lines == (line,)


def test_a_whole_conversation_of_candump_lines_is_decoded() -> None:
    """Value: SAE J1979, PID 0C = (256 A + B) / 4; 1FD0 hex is 8144."""
    lines = [
        "(1520951000.0) can0 7DF#02010C0000000000",
        "(1520951000.1) can0 7E8#04410C1FD0000000",
    ]
    result = decode_line({"lines": lines})
    assert result["error"] is None
    assert result["source"] == "7E8"
    assert [(r["signal"], r["value"]) for r in result["readings"]] == [("RPM", 2036.0)]


def test_remarks_are_told_once_and_progress_not_at_all() -> None:
    found = read_pasted(["SEARCHING...", "OK", "STOPPED", "STOPPED", "BUS INIT: ...OK"])
    assert found.lines == ()
    assert len(found.remarks) == 1


def test_identifiers_of_requests() -> None:
    """ISO 15765-4: requests go to 7DF, 7E0–7E7, 18DB33F1 and 18DAxxF1."""
    assert all(map(is_tester, ("7DF", "7E0", "7E7", "18DB33F1", "18DA10F1")))
    assert not any(map(is_tester, ("7E8", "7EF", "18DAF110", "10", "unknown")))
