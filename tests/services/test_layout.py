"""Splitting replies that carry several identifiers without lengths."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.services.current_data import parse_current_data, split_current_data
from obdlog.services.freeze_frame import parse_freeze_frame, split_freeze_frame
from obdlog.tables.decode import EMPTY


def split(
    text: str, requested: list[int] | None = None, one_d: str | None = None
) -> list[tuple[int, str]]:
    context = EMPTY.updated(0x1D, bytes.fromhex(one_d)) if one_d else EMPTY
    found = split_current_data(bytes.fromhex(text), requested, context)
    return [(pid, data.hex().upper()) for pid, data in found]


@pytest.mark.parametrize(
    ("reply", "expected"),
    [
        ("410C1AF8", [(0x0C, "1AF8")]),
        ("41057B0C1AF80D32", [(0x05, "7B"), (0x0C, "1AF8"), (0x0D, "32")]),
        ("410D320C1AF8057B", [(0x0D, "32"), (0x0C, "1AF8"), (0x05, "7B")]),
        ("41010007E500", [(0x01, "0007E500")]),
    ],
)
def test_several_pids_in_any_order(reply: str, expected: list[tuple[int, str]]) -> None:
    assert split(reply) == expected


def test_pids_that_the_car_does_not_support_are_left_out() -> None:
    assert split("410C1AF80D32", [0x05, 0x0C, 0x0D]) == [(0x0C, "1AF8"), (0x0D, "32")]


def test_trims_have_one_byte_or_two() -> None:
    assert split("41068007820C0FA0") == [(0x06, "80"), (0x07, "82"), (0x0C, "0FA0")]
    assert split("410680810782830D00") == [(0x06, "8081"), (0x07, "8283"), (0x0D, "00")]


def test_the_request_settles_what_lengths_leave_open() -> None:
    # 06 with one byte and 0D 0E; or 06 with two bytes (80 0D) and then 0E with one.
    assert split("4106800D0E", [0x06, 0x0D]) == [(0x06, "80"), (0x0D, "0E")]
    assert split("4106800D0E11", [0x06, 0x0E]) == [(0x06, "800D"), (0x0E, "11")]


def test_pid_1d_makes_the_second_byte_likely() -> None:
    # Two ways to read it: 06 with one byte and 08 with two, or the reverse.
    reply = "410680080880"
    assert split(reply, [0x06, 0x08], one_d="C0") == [(0x06, "80"), (0x08, "0880")]
    assert split(reply, [0x06, 0x08], one_d="30") == [(0x06, "8008"), (0x08, "80")]


def test_an_unknown_pid_among_known_ones_gets_what_they_leave() -> None:
    # 07 with two bytes (A0 05) and then 3C with two would fit as well; nobody asked for 3C.
    assert split("4107A0053C617D", [0x07, 0x05, 0x61]) == [
        (0x07, "A0"),
        (0x05, "3C"),
        (0x61, "7D"),
    ]
    assert split("4107A0617D0E800D32", [0x07, 0x61, 0x0D]) == [
        (0x07, "A0"),
        (0x61, "7D0E80"),
        (0x0D, "32"),
    ]


def test_two_unknown_pids_are_not_guessed() -> None:
    with pytest.raises(DecodeError):
        split("4107A0053C617D", [0x07, 0x05, 0x61, 0x62])


def test_readings_of_known_pids_survive_an_unknown_one() -> None:
    (reading,) = parse_current_data(bytes.fromhex("410D32617D"), requested=[0x0D, 0x61])
    assert (reading.signal, reading.value) == ("VSS", 50)


def test_one_unknown_pid_keeps_its_bytes_and_no_readings() -> None:
    assert split("41FE010203", [0xFE])[0][0] == 0xFE
    with pytest.raises(DecodeError):
        parse_current_data(bytes.fromhex("41FE"))


@pytest.mark.parametrize(
    "text", ["", "41", "410C", "410C1A", "410C1AF800", "420C00", "410C1AF80D", "41" + "00" * 600]
)
def test_what_does_not_fit_is_refused(text: str) -> None:
    with pytest.raises(DecodeError):
        split_current_data(bytes.fromhex(text))


def test_freeze_frame_numbers_stand_between_pid_and_data() -> None:
    found = split_freeze_frame(bytes.fromhex("4205007B0C001AF8"))
    assert found == ((0x05, 0, b"\x7b"), (0x0C, 0, b"\x1a\xf8"))


def test_no_freeze_frame_is_told_by_a_zero_code() -> None:
    empty = parse_freeze_frame(bytes.fromhex("4202000000"))
    assert (empty.empty, empty.code) == (True, None)
    held = parse_freeze_frame(bytes.fromhex("4202000102"))
    assert (held.empty, held.code) == (False, "P0102")


def test_one_reply_holds_one_frame() -> None:
    with pytest.raises(DecodeError, match="several"):
        parse_freeze_frame(bytes.fromhex("4205007B0C011AF8"))


@given(st.binary(max_size=64), st.none() | st.lists(st.integers(0, 255), max_size=6))
def test_random_bytes_raise_only_decode_errors(body: bytes, requested: list[int] | None) -> None:
    for reply, parse in ((b"\x41", parse_current_data), (b"\x42", parse_freeze_frame)):
        try:
            parsed = parse(reply + body, requested=requested)
        except DecodeError:
            continue
        assert parsed is not None


def test_a_hostile_reply_is_split_in_bounded_time() -> None:
    # Every second byte could begin a trim of one byte or two: 2^255 readings, were all tried.
    assert split_current_data(b"\x41" + b"\x06" * 510)
