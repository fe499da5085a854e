"""SAE J1979 asked and answered as SAE J1979-2 has it (identifiers F4xx, F6xx, F8xx)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.model import EcuMessage, Exchange, Request
from obdlog.services import obd_on_uds
from obdlog.services.current_data import parse_current_data
from obdlog.services.obd_on_uds import (
    classic_exchange,
    classic_payload,
    classic_request,
    joined,
    uds_requests,
)
from obdlog.services.onboard_tests import parse_tests
from obdlog.services.vehicle_info import parse_vehicle_info

VIN = b"INVENTED0000CAR01".hex().upper()
RECORD = "0B24" + "000100000005"


def by_hex(request: str, reply: str) -> str | None:
    found = classic_payload(bytes.fromhex(request), bytes.fromhex(reply))
    return None if found is None else found.hex().upper()


@pytest.mark.parametrize(
    ("classic", "asked"),
    [
        ("010C", ["22F40C"]),
        ("0100", ["22F400"]),
        ("010C0D", ["22F40CF40D"]),
        ("01040506", ["22F404F405F406"]),
        ("0104050B0C0D0F", ["22F404F405F40B", "22F40CF40DF40F"]),
        ("06A2", ["22F6A2"]),
        ("0902", ["22F802"]),
        *((text, [text]) for text in ("03", "07", "0A", "04", "020C00", "1902AF", "3E00", "01")),
    ],
)
def test_requests(classic: str, asked: list[str]) -> None:
    made = uds_requests(bytes.fromhex(classic))
    assert [request.hex().upper() for request in made] == asked


@pytest.mark.parametrize(
    ("request_", "reply", "classic"),
    [
        ("22F40C", "62F40C1AF8", "410C1AF8"),
        ("22F400", "62F400BE1FA813", "4100BE1FA813"),
        ("22F40CF405", "62F40C1AF8F4057B", "410C1AF8057B"),
        ("22F40CF405", "62F4057BF40C1AF8", "41057B0C1AF8"),
        ("22F40CF405", "62F40C1AF8", "410C1AF8"),
        ("22F40C", "7F2231", "7F0131"),
        ("22F6A2", "7F2278", "7F0678"),
        ("22F6A2", "62F6A2" + RECORD, "46A2" + RECORD),
        ("22F6A2", "62F6A2" + RECORD + RECORD, "46A2" + RECORD + "A2" + RECORD),
        ("22F6A2", "62F6A2" + RECORD + "A2" + RECORD, "46A2" + RECORD + "A2" + RECORD),
        ("22F6A2", "62F6A2A2" + RECORD, "46A2" + RECORD),
        ("22F6A2", "62F6A2A2" + RECORD + "A2" + RECORD, "46A2" + RECORD + "A2" + RECORD),
        ("22F600", "62F60080000001", "460080000001"),
        ("22F802", "62F802" + VIN, "490201" + VIN),
        ("22F802", "62F80201" + VIN, "490201" + VIN),
        ("22F806", "62F80600A1B2C3", "49060100A1B2C3"),
        ("22F80A", "62F80A01" + "45434D00" * 5, "490A01" + "45434D00" * 5),
        ("22F800", "62F80055400000", "490055400000"),
    ],
)
def test_answers(request_: str, reply: str, classic: str) -> None:
    assert by_hex(request_, reply) == classic


@pytest.mark.parametrize(
    ("request_", "reply"),
    [
        ("22F40C", "62F40D32"),  # another identifier than asked
        ("22F40CF405", "62F40C1A"),  # no lengths add up
        ("22F40C", "410C1AF8"),
        ("22F40C", "7F1911"),
        ("22F40C", ""),
        ("22F190", "62F190" + VIN),
        ("22F40CF802", "62F40C1AF8"),
        ("22F501", "62F50101"),
        ("0100", "4100BE1FA813"),
    ],
)
def test_what_has_no_classic_form(request_: str, reply: str) -> None:
    assert by_hex(request_, reply) is None


def test_an_exchange_shows_as_a_classic_one_and_loses_nothing() -> None:
    asked = Request(bytes.fromhex("22F40C"), purpose="poll")
    exchange = Exchange(
        1.5,
        asked,
        (
            EcuMessage("7E8", bytes.fromhex("62F40C1AF8"), 0.01),
            EcuMessage("7E9", bytes.fromhex("7F2231"), 0.02),
            EcuMessage("7EA", bytes.fromhex("62F40D32")),
        ),
    )
    shown = classic_exchange(exchange)
    assert (shown.at_s, shown.request.purpose, shown.request.payload) == (1.5, "poll", b"\x01\x0c")
    assert [m.payload.hex() for m in shown.positive()] == ["410c1af8"]
    assert [(m.source, m.after_s) for m in shown.refusals()] == [("7E9", 0.02)]
    assert shown.messages[2] == exchange.messages[2]


@pytest.mark.parametrize("request_", ["1902AF", "22F190", "22F50C", "010C", "03", "22F40CF602"])
def test_all_other_exchanges_stay_as_they_are(request_: str) -> None:
    exchange = Exchange(0.0, Request(bytes.fromhex(request_)), (EcuMessage("7E8", b"\x62\xf4"),))
    assert classic_exchange(exchange) is exchange


def test_answers_to_the_parts_of_one_request_become_one() -> None:
    assert joined(b"\x01\x0c\x0d", [b"\x41\x0c\x1a\xf8", b"\x41\x0d\x32"]) == bytes.fromhex(
        "410C1AF80D32"
    )
    assert joined(b"\x01\x0c", [b"\x7f\x01\x31"]) is None


def test_the_table_of_what_corresponds() -> None:
    """SAE J1979-2 as public sources state it: 19 42 33 with status and severity, 19 55, 14."""
    asked = [made.hex().upper() for made in obd_on_uds.CODE_REQUESTS]
    assert asked == ["1942330C1E", "195533"]
    assert obd_on_uds.ERASE.hex().upper() == "14FFFF33"


def test_what_comes_out_reads_like_any_classic_answer() -> None:
    (speed, temperature) = parse_current_data(
        classic_payload(bytes.fromhex("22F40CF405"), bytes.fromhex("62F40C1AF8F4057B")) or b""
    )
    assert (speed.value, temperature.value) == (1726.0, 83)
    tests = parse_tests(bytes.fromhex(by_hex("22F6A2", "62F6A2" + RECORD + RECORD) or ""))
    assert [t.monitor_id for t in tests] == ["A2", "A2"]
    info = parse_vehicle_info(bytes.fromhex(by_hex("22F802", "62F802" + VIN) or ""))
    assert info.items == ("INVENTED0000CAR01",)


@given(st.binary(max_size=16), st.binary(max_size=40))
def test_random_bytes_are_never_an_error(request_: bytes, reply: bytes) -> None:
    found = classic_payload(request_, reply)
    assert found is None or classic_request(request_) is not None


@given(st.sampled_from([0xF4, 0xF6, 0xF8]), st.integers(0, 255), st.binary(max_size=60))
def test_one_identifier_always_has_a_classic_form(family: int, low: int, data: bytes) -> None:
    head = bytes([family, low])
    assert classic_payload(b"\x22" + head, b"\x62" + head + data) is not None
