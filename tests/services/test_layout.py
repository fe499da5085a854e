"""Splitting replies that carry several identifiers without lengths."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.services.current_data import parse_current_data, split_current_data
from obdlog.services.layout import split_items, split_leading
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


@pytest.mark.parametrize(
    ("one_d", "expected"),
    [  # SAE J1979 from memory: bits 4 and 5 of PID 1D are bank 3, whose trims are second bytes
        ("0F", [(0x06, "88"), (0x0D, "07"), (0x07, "70")]),
        ("33", [(0x06, "880D"), (0x07, "0770")]),
    ],
)
def test_banks_that_the_car_states_outweigh_how_many_pids_come_back(
    one_d: str, expected: list[tuple[int, str]]
) -> None:
    assert split("4106880D070770", [0x06, 0x0D, 0x07], one_d) == expected


def test_a_car_that_contradicts_its_banks_is_read_all_the_same() -> None:
    assert split("410688077000", [0x06, 0x07], "0F") == [(0x06, "88"), (0x07, "7000")]
    assert split("41068807700D05", [0x06, 0x07, 0x0D], "33") == [
        (0x06, "88"), (0x07, "70"), (0x0D, "05"),
    ]  # fmt: skip


def test_one_pid_of_a_wrong_length_is_told_its_lengths() -> None:
    with pytest.raises(DecodeError, match="identifier 83 has 5 or 9 data bytes, not 7"):
        split("4183070001FFFF0002", [0x83])


@pytest.mark.parametrize(
    ("pid", "data"),
    [
        # Each could be the older, shorter form with one-byte PIDs (04, 05 …) after it.
        (0x83, "0F000A0014041E0528"),
        (0x81, "1F" + "00000E10" * 5 + "040105010B010D010E010F0111012C012D012E01"),
    ],
)
def test_without_a_request_the_newer_form_is_likelier(pid: int, data: str) -> None:
    assert split(f"41{pid:02X}{data}") == [(pid, data)]


def test_pid_1d_makes_the_second_byte_likely() -> None:
    # Two ways to read it: 06 with one byte and 08 with two, or the reverse.
    reply = "410680080880"
    assert split(reply, [0x06, 0x08], one_d="C0") == [(0x06, "80"), (0x08, "0880")]
    assert split(reply, [0x06, 0x08], one_d="30") == [(0x06, "8008"), (0x08, "80")]


def test_an_unknown_pid_among_known_ones_gets_what_they_leave() -> None:
    # 07 with two bytes (A0 05) and then 3C with two would fit as well; nobody asked for 3C.
    assert split("4107A0053CFE7D", [0x07, 0x05, 0xFE]) == [
        (0x07, "A0"),
        (0x05, "3C"),
        (0xFE, "7D"),
    ]
    assert split("4107A0FE7D0E800D32", [0x07, 0xFE, 0x0D]) == [
        (0x07, "A0"),
        (0xFE, "7D0E80"),
        (0x0D, "32"),
    ]


def test_two_unknown_pids_are_not_guessed() -> None:
    with pytest.raises(DecodeError):
        split("4107A0053CFE7D", [0x07, 0x05, 0xFE, 0xFD])


def test_readings_of_known_pids_survive_an_unknown_one() -> None:
    (reading,) = parse_current_data(bytes.fromhex("410D32FE7D"), requested=[0x0D, 0xFE])
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


@given(st.binary(max_size=64), st.none() | st.lists(st.integers(0, 255), max_size=6))
def test_random_bytes_raise_only_decode_errors(body: bytes, requested: list[int] | None) -> None:
    try:
        parsed = parse_current_data(b"\x41" + body, requested=requested)
    except DecodeError:
        return
    assert isinstance(parsed, tuple)


def test_a_hostile_reply_is_split_in_bounded_time() -> None:
    # Every second byte could begin a trim of one byte or two: 2^255 readings, were all tried.
    assert split_current_data(b"\x41" + b"\x06" * 510)


class TestHostileData:
    """Bytes that can be read in very many ways cost time in proportion to their number."""

    @pytest.mark.parametrize("body", [b"\x06" * 500, b"\x06\x07" * 250, b"\x06\xfd" * 250])
    @pytest.mark.parametrize("split_body", [split_items, split_leading])
    def test_each_place_is_looked_at_once(
        self, split_body: Callable[..., object], body: bytes
    ) -> None:
        asked: list[int] = []

        def lengths(identifier: int) -> tuple[int, ...]:
            asked.append(identifier)
            return (1, 2) if identifier < 0x10 else ()

        with suppress(DecodeError):
            split_body(body, lengths)
        assert len(asked) <= 2 * len(body) + 2

    def test_an_unknown_length_is_taken_once(self) -> None:
        with pytest.raises(DecodeError):
            split("41" + "FD" * 500, [0x06, 0xFD])
