"""Codes in replies, on CAN and on the older buses."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.codes import (
    code_from_bytes,
    code_to_bytes,
    parse_codes,
    read_codes,
    status_names,
)


def texts(reply: str, bus: Bus = Bus.CAN) -> list[str]:
    return [code.text for code in parse_codes(bytes.fromhex(reply), bus)]


@pytest.mark.parametrize(
    ("reply", "bus", "expected"),
    [
        ("4300", Bus.CAN, []),
        ("430201020113", Bus.CAN, ["P0102", "P0113"]),
        ("4701C121", Bus.CAN, ["U0121"]),
        ("4A010420", Bus.CAN, ["P0420"]),
        ("43010200000000", Bus.LEGACY, ["P0102"]),
        ("43000000000000", Bus.LEGACY, []),
        ("43", Bus.LEGACY, []),
        ("43010201130171030000000000", Bus.LEGACY, ["P0102", "P0113", "P0171", "P0300"]),
        ("47013300000000", Bus.LEGACY, ["P0133"]),
    ],
)
def test_codes(reply: str, bus: Bus, expected: list[str]) -> None:
    assert texts(reply, bus) == expected


@pytest.mark.parametrize(
    ("service", "status"), [("43", "confirmed"), ("47", "pending"), ("4A", "permanent")]
)
def test_the_service_tells_the_status(service: str, status: str) -> None:
    (code,) = parse_codes(bytes.fromhex(service + "010102"))
    assert code.status == (status,)


@pytest.mark.parametrize(
    ("reply", "expected"),
    [("43030102", ["P0102"]), ("430101020113", ["P0102", "P0113"]), ("4302010201", ["P0102"])],
)
def test_a_count_that_disagrees_is_reported_and_the_codes_kept(
    reply: str, expected: list[str]
) -> None:
    found = read_codes(bytes.fromhex(reply))
    assert [c.text for c in found.codes] == expected
    assert found.problem


def test_padding_behind_the_counted_codes_is_no_disagreement() -> None:
    found = read_codes(bytes.fromhex("430101020000"))
    assert ([c.text for c in found.codes], found.problem) == (["P0102"], "")


@pytest.mark.parametrize("reply", ["", "43", "4400", "410C", "59", "5901FF", "5904"])
def test_what_holds_no_codes(reply: str) -> None:
    with pytest.raises(DecodeError):
        parse_codes(bytes.fromhex(reply))


def test_codes_and_bytes_are_inverse_over_all_65536() -> None:
    found = [code_from_bytes(n.to_bytes(2, "big")) for n in range(0x10000)]
    assert len(set(found)) == 0x10000
    assert all(code_to_bytes(text) == n.to_bytes(2, "big") for n, text in enumerate(found))


@pytest.mark.parametrize("text", ["", "P01", "P4000", "X0102", "P01020", "P0G00", "P0102\n7"])
def test_texts_that_are_no_codes(text: str) -> None:
    with pytest.raises(ValueError, match="code"):
        code_to_bytes(text)


def test_two_bytes_make_a_code() -> None:
    with pytest.raises(ValueError, match="2 bytes"):
        code_from_bytes(b"\x01")


def test_iso_14229_records_carry_failure_type_and_status() -> None:
    """59 02 mask, then three code bytes and a status byte (ISO 14229-1)."""
    (code,) = parse_codes(bytes.fromhex("5902FF05621609"))
    assert (code.text, code.failure_type) == ("P0562", "16")
    assert code.status == ("confirmed", "failing-now")


def test_obd_reports_of_iso_14229() -> None:
    """59 42: severity before each code; 59 55: no severity, permanent (SAE J1979-2, public)."""
    (code,) = parse_codes(bytes.fromhex("594233FF1E0420010213" + "08"))
    assert (code.text, code.failure_type, code.status) == ("P0102", "13", ("confirmed",))
    (code,) = parse_codes(bytes.fromhex("595533FF0404200008"))
    assert (code.text, code.status[0]) == ("P0420", "permanent")


@pytest.mark.parametrize(
    ("reply", "code", "failure_type", "status"),
    [  # ISO 14229-1; the layouts of 08, 0A, 0B, 13 and 15 are from memory of it
        ("5908FF2010C1210009", "U0121", "00", ("confirmed", "failing-now")),
        ("590AFF80391340", "B0039", "13", ("not-tested-this-cycle",)),
        ("590BFF4031130C", "C0031", "13", ("confirmed", "pending")),
        ("5913FF04200008", "P0420", "00", ("confirmed",)),
        ("5915FF04200000", "P0420", "00", ("permanent",)),
        ("5902FF05621600", "P0562", "16", ()),
    ],
)
def test_reports_that_list_codes(
    reply: str, code: str, failure_type: str, status: tuple[str, ...]
) -> None:
    (found,) = parse_codes(bytes.fromhex(reply))
    assert (found.text, found.failure_type, found.status) == (code, failure_type, status)


@pytest.mark.parametrize(
    "reply", ["594233FF", "594233FF1E", "595533FF", "5907FF0001", "5906016216"]
)
def test_reports_cut_short_or_without_codes(reply: str) -> None:
    with pytest.raises(DecodeError):
        parse_codes(bytes.fromhex(reply))


def test_several_records_and_bytes_left_over() -> None:
    """59 42 counts five bytes a record, 59 55 and 59 02 four."""
    found = read_codes(bytes.fromhex("594233FF1E04" + "2001021308" + "4004200009"))
    assert [(c.text, c.failure_type) for c in found.codes] == [("P0102", "13"), ("P0420", "00")]
    assert not found.problem
    found = read_codes(bytes.fromhex("595533FF04" + "01021308" + "0420"))
    assert [c.text for c in found.codes] == ["P0102"]
    assert "2 bytes are left over" in found.problem


def test_fifty_after_an_erase_means_nothing_tested() -> None:
    assert status_names(0x50) == ("not-tested", "not-tested-this-cycle")


@given(st.sampled_from(b"\x43\x47\x4a\x59"), st.binary(max_size=64), st.sampled_from(Bus))
def test_random_bytes_raise_only_decode_errors(service: int, body: bytes, bus: Bus) -> None:
    try:
        found = parse_codes(bytes([service]) + body, bus)
    except DecodeError:
        return
    assert all(code.text != "P0000" or code.failure_type not in (None, "00") for code in found)
