"""Negative responses: every code has words, and the bus decides between standards."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.refusals import meaning, parse_refusal


@pytest.mark.parametrize(
    ("code", "words"),
    [  # ISO 14229-1, negative response codes (numbers from memory)
        (0x10, "without a stated reason"), (0x11, "service is not supported"),
        (0x12, "sub-function is not supported"), (0x13, "length or format"), (0x21, "busy"),
        (0x22, "conditions"), (0x31, "out of range"), (0x33, "security"), (0x35, "key is wrong"),
        (0x36, "attempts"), (0x37, "waiting time"), (0x78, "answer follows"),
        (0x7E, "present diagnostic session"), (0x7F, "present diagnostic session"),
        (0x83, "engine is running"), (0x88, "speed too high"), (0x93, "voltage too low"),
        (0xF0, "maker"), (0x5E, "undefined"), (0xFF, "undefined"),
    ],
)  # fmt: skip
def test_meaning(code: int, words: str) -> None:
    assert words in meaning(code)


@pytest.mark.parametrize("code", [0x12, 0x22, 0x23, 0x40, 0x50, 0x71, 0x80])
def test_codes_that_the_older_standard_gives_another_meaning(code: int) -> None:
    assert meaning(code, Bus.CAN) != meaning(code, Bus.LEGACY)


@pytest.mark.parametrize(
    ("code", "can", "older"),
    [  # ISO 14229-1 and ISO 14230-3 (numbers from memory)
        (0x12, "sub-function is not supported", "or the request's format is wrong"),
        (0x13, "wrong length", "undefined"), (0x14, "too long", "undefined"),
        (0x22, "do not allow", "wrong order"), (0x23, "undefined", "not finished"),
        (0x24, "wrong order", "undefined"), (0x34, "authentication", "undefined"),
        (0x40, "undefined", "download not accepted"), (0x50, "certificate", "upload not accepted"),
        (0x58, "ownership", "undefined"), (0x72, "programming", "aborted"),
        (0x78, "answer follows", "answer follows"),
        (0x7E, "diagnostic session", "undefined"), (0x80, "undefined", "diagnostic mode"),
        (0x83, "engine is running", "undefined"), (0x93, "voltage too low", "maker"),
    ],
)  # fmt: skip
def test_the_bus_decides_between_standards(code: int, can: str, older: str) -> None:
    assert can in meaning(code, Bus.CAN)
    assert older in meaning(code, Bus.LEGACY)


@given(st.integers(0, 255), st.sampled_from(Bus))
def test_every_code_has_a_meaning(code: int, bus: Bus) -> None:
    assert meaning(code, bus)


def test_a_refusal_names_service_and_code() -> None:
    refusal = parse_refusal(bytes.fromhex("7F0122"))
    assert (refusal.service, refusal.code) == ("01", "22")
    assert "conditions" in refusal.meaning


@pytest.mark.parametrize("payload", ["", "7F", "7F01", "410C"])
def test_what_is_no_refusal(payload: str) -> None:
    with pytest.raises(DecodeError):
        parse_refusal(bytes.fromhex(payload))


def test_a_code_is_a_byte() -> None:
    with pytest.raises(ValueError, match="byte"):
        meaning(256)
