"""The set-up table, the vocabulary, and the answers that are parsed during set-up."""

from __future__ import annotations

import re

import pytest

from obdlog.adapter.commands import COMMANDS, request_text
from obdlog.adapter.setup import (
    AFTER_CONNECT,
    SETUP,
    parse_identity,
    parse_protocol_number,
    parse_voltage,
)


def _known(text: str) -> bool:
    patterns = (re.sub(r"<\w+>", "[0-9A-F]+", re.escape(c.text)) for c in COMMANDS)
    return any(re.fullmatch(pattern, text) for pattern in patterns)


@pytest.mark.parametrize("step", [*SETUP, *AFTER_CONNECT], ids=lambda s: s.command)
def test_every_step_is_in_the_vocabulary_and_says_what_its_failure_means(step) -> None:
    assert _known(step.command)
    assert all(_known(command) for command in step.instead)
    assert step.meaning_of_failure.endswith(".")
    assert step.wait_s > 0


def test_a_clone_loses_abilities_not_the_session() -> None:
    assert [s.command for s in SETUP if s.needed] == ["ATZ", "ATSP0"]
    assert all(s.instead for s in SETUP if s.needed)


def test_order_restart_first_protocol_last() -> None:
    commands = [s.command for s in SETUP]
    assert commands[0] == "ATZ"
    assert commands[-1] == "ATSP0"
    assert {"ATE0", "ATL0", "ATS0", "ATH1", "ATAT1", "ATCAF1"} < set(commands)


def test_no_setup_command_reaches_the_vehicle() -> None:
    assert all(s.command.startswith("AT") for s in (*SETUP, *AFTER_CONNECT))


def test_the_vocabulary_has_no_doubles() -> None:
    texts = [c.text for c in COMMANDS]
    assert len(set(texts)) == len(texts)


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("12.6V", 12.6),
        ("12.6", 12.6),
        (" 9.87 V ", 9.87),
        ("0.0V", 0.0),
        ("12,6V", 12.6),
        ("12V", 12.0),
        ("?", None),
        ("", None),
        ("NO DATA", None),
        ("123.4V", None),
        ("-1.0V", None),
        ("nanV", None),
        ("１２V", None),
    ],
)
def test_voltage(text: str, volts: float | None) -> None:
    assert parse_voltage(text) == volts


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("A6", "6"),
        ("6", "6"),
        ("a3", "3"),
        ("0", "0"),
        ("A0", "0"),
        ("AA", "A"),
        ("A", "A"),
        ("", None),
        ("?", None),
        ("66", None),
        ("OK", None),
        ("F", None),
    ],
)
def test_protocol_number(text: str, number: str | None) -> None:
    assert parse_protocol_number(text) == number


@pytest.mark.parametrize(
    ("lines", "name", "version"),
    [
        (("ELM327 v1.5",), "ELM327", "1.5"),
        (("", "ELM327 v2.2"), "ELM327", "2.2"),
        (("noise", "ABC1000 v4.2.0"), "ABC1000", "4.2.0"),
        (("some adapter",), "some adapter", ""),
    ],
)
def test_identity(lines: tuple[str, ...], name: str, version: str) -> None:
    identity = parse_identity(lines)
    assert identity is not None
    assert (identity.name, identity.version) == (name, version)


def test_identity_of_silence_and_of_a_flood() -> None:
    assert parse_identity(()) is None
    assert parse_identity(("", " ")) is None
    long = parse_identity(("X" * 10_000,))
    assert long is not None
    assert len(long.text) <= 80


@pytest.mark.parametrize(
    ("payload", "replies", "text"),
    [
        (b"\x01\x00", None, "0100"),
        (b"\x01\x0c\x0d", 1, "010C0D1"),
        (b"\x03", 15, "03F"),
        (b"\x09\x02", 5, "09025"),
    ],
)
def test_request_text(payload: bytes, replies: int | None, text: str) -> None:
    assert request_text(payload, replies) == text


@pytest.mark.parametrize(
    ("payload", "replies"), [(b"", None), (b"1" * 9, None), (b"\x03", 0), (b"\x03", 16)]
)
def test_request_text_refuses_misuse(payload: bytes, replies: int | None) -> None:
    with pytest.raises(ValueError, match=r"1 to (8|15)"):
        request_text(payload, replies)
