"""Which messages answer which request (SAE J1979; negative responses ISO 14230-3)."""

from __future__ import annotations

import pytest

from obdlog.model import EcuMessage, Request
from obdlog.transport.judge import answers, end_of_last_line, without_superseded


@pytest.mark.parametrize(
    ("ask", "got", "is_answer"),
    [
        ("010C", "410C1AF8", True),
        ("010C0D", "410D20", True),
        ("010C", "410D20", False),
        ("010C", "420C001AF8", False),
        ("010C", "7F0112", True),
        ("010C", "7F0912", False),
        ("010C", "41", False),
        ("03", "4300", True),
        ("03", "43", True),
        ("020C00", "420C001AF8", True),
        ("020C00", "42000000000000", False),
        ("050101", "450101AA", True),
        ("0601", "4601010A0BB00BB00BB0", True),
        ("0902", "490201AA", True),
        ("0902", "490401AA", False),
        ("1902FF", "5902FF", True),
        ("22F190", "62F190", True),
        ("04", "44", True),
    ],
)
def test_an_answer_bears_the_service_and_the_item(ask: str, got: str, is_answer: bool) -> None:
    message = EcuMessage("7E8", bytes.fromhex(got))
    assert answers(message, Request(bytes.fromhex(ask))) is is_answer


def test_pending_is_superseded_only_by_its_own_module() -> None:
    pending = EcuMessage("7E8", b"\x7f\x01\x78")
    other = EcuMessage("7E9", b"\x41\x0c\x00\x00")
    final = EcuMessage("7E8", b"\x41\x0c\x00\x01")
    assert without_superseded([pending, other]) == (pending, other)
    assert without_superseded([pending, pending, other, final]) == (other, final)
    assert without_superseded([final, pending]) == (final, pending)


@pytest.mark.parametrize(
    ("raw", "source", "upto"),
    [
        (b"7E8 04 41\r7E9 04 41\r7E8 21 00\r\r", "7E8", b"7E8 04 41\r7E9 04 41\r7E8 21 00"),
        (b"7E804410C\r7E904410C\r\r", "7E8", b"7E804410C"),
        (b"18 DA F1 10 04 41\r18DAF11804\r", "18DAF110", b"18 DA F1 10 04 41"),
        (b"486B10410C\r486B18410C\r", "10", b"486B10410C"),
        (b"486B18410C\r48 6B 10 41 0C\r", "10", b"486B18410C\r48 6B 10 41 0C"),
        (b"410C1AF8\r", "unknown", None),
        (b"", "7E8", None),
    ],
)  # fmt: skip
def test_the_last_line_of_a_module_is_found(raw: bytes, source: str, upto: bytes | None) -> None:
    assert end_of_last_line(raw, source) == (len(upto) if upto is not None else None)
