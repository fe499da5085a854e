"""Messages of the older buses: header, checksum, and what makes one answer.

References: SAE J1979 (message layouts of services 03, 07, 09 before CAN), ISO 9141-2,
ISO 14230-2, SAE J1850. VIN and names: invented.
"""

from __future__ import annotations

import itertools

import pytest

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.framing import assemble
from obdlog.model import UNKNOWN_SOURCE, Bus

LEGACY = ["1", "2", "3", "4", "5"]
PID_00 = bytes.fromhex("4100BE3EB811")
VIN = b"1ZZ00000400000000"
VIN_MESSAGES = [
    b"\x49\x02" + bytes([number]) + (b"\0\0\0" + VIN)[4 * number - 4 : 4 * number]
    for number in range(1, 6)
]


@pytest.fixture
def line(bus_message):
    def build(protocol: str, payload: bytes, source: int = 0x10, *, spaces: bool = False) -> str:
        message = bus_message(protocol, source, payload)
        return (message.hex(" ") if spaces else message.hex()).upper()

    return build


def got(text: list[str], protocol: str | None, **options) -> list[tuple[str, bytes]]:
    known = PROTOCOLS[protocol] if protocol else None
    return [(m.source, m.payload) for m in assemble(text, known, **options).messages]


@pytest.mark.parametrize("spaces", [False, True])
@pytest.mark.parametrize("known", [False, True])
@pytest.mark.parametrize("protocol", LEGACY)
def test_two_modules_answer(protocol: str, known: bool, spaces: bool, line) -> None:
    other = bytes.fromhex("410080000001")
    text = [line(protocol, PID_00, spaces=spaces), line(protocol, other, 0x18, spaces=spaces)]
    result = assemble(text, PROTOCOLS[protocol] if known else None)
    assert [(m.source, m.payload) for m in result.messages] == [("10", PID_00), ("18", other)]
    assert result.faults == ()
    assert result.bus is Bus.LEGACY


@pytest.mark.parametrize("protocol", LEGACY)
def test_every_single_flipped_bit_is_found(protocol: str, bus_message) -> None:
    message = bus_message(protocol, 0x10, PID_00)
    for byte, bit in itertools.product(range(len(message)), range(8)):
        damaged = bytearray(message)
        damaged[byte] ^= 1 << bit
        # The request is the one that a damaged header could look like an answer to.
        request = bytes([0x01, damaged[1]])
        result = assemble([damaged.hex()], PROTOCOLS[protocol], request=request)
        assert result.messages == ()
        assert "checksum" in result.faults[0]


@pytest.mark.parametrize("protocol", LEGACY)
def test_a_damaged_message_does_not_take_the_others_along(protocol: str, line) -> None:
    good, bad = line(protocol, PID_00), line(protocol, PID_00, 0x18)
    bad = bad[:-2] + f"{int(bad[-2:], 16) ^ 0xFF:02X}"
    result = assemble([bad, good], PROTOCOLS[protocol])
    assert [m.source for m in result.messages] == ["10"]
    assert len(result.faults) == 1


@pytest.mark.parametrize("cut", range(1, 20))
@pytest.mark.parametrize("protocol", LEGACY)
def test_a_message_cut_short_is_dropped(protocol: str, cut: int, line) -> None:
    # A payload none of whose beginnings bears the right checksum by chance.
    text = line(protocol, bytes.fromhex("410C1AF80000"))[:cut]
    assert got([text], protocol, request=b"\x01\x0c") == []


def test_iso_14230_length_in_a_byte_of_its_own() -> None:
    body = bytes.fromhex("80F11006") + PID_00
    text = (body + bytes([sum(body) % 256])).hex()
    assert got([text], "5") == [("10", PID_00)]
    assert got([text], None) == [("10", PID_00)]


@pytest.mark.parametrize("head", ["85F110", "87F110", "80F11005", "80F11007", "80F11000"])
def test_iso_14230_length_must_agree(head: str) -> None:
    body = bytes.fromhex(head) + PID_00
    result = assemble([(body + bytes([sum(body) % 256])).hex()], PROTOCOLS["4"])
    assert result.messages == ()
    assert "header says" in result.faults[0]


def test_functional_format_byte_of_iso_14230() -> None:
    body = bytes.fromhex("C6F111") + PID_00
    assert got([(body + bytes([sum(body) % 256])).hex()], "5") == [("11", PID_00)]


@pytest.mark.parametrize(("claimed", "true"), [("3", "5"), ("4", "3"), ("5", "4")])
def test_a_wrong_claim_between_the_k_line_protocols_costs_nothing(claimed, true, line) -> None:
    assert got([line(true, PID_00)], claimed) == [("10", PID_00)]


def test_what_the_tester_sent_is_no_answer() -> None:
    assert assemble(["686AF10100C4"], PROTOCOLS["3"]).messages == ()
    assert assemble(["686AF1010017"], PROTOCOLS["2"]).messages == ()


@pytest.mark.parametrize("protocol", LEGACY)
@pytest.mark.parametrize("order", [(0, 1, 2, 3, 4), (4, 3, 2, 1, 0), (1, 0, 2, 4, 3)])
def test_vehicle_information_is_put_in_the_order_of_its_numbers(protocol, order, line) -> None:
    text = [line(protocol, VIN_MESSAGES[i]) for i in order]
    assert got(text, protocol) == [("10", b"\x49\x02\x01\0\0\0" + VIN)]


def test_vehicle_information_of_two_modules_interleaved(line) -> None:
    name = [b"\x49\x0a" + bytes([n]) + b"ABCD" for n in range(1, 6)]
    text = []
    for one, two in zip(VIN_MESSAGES, name, strict=True):
        text += [line("2", one), line("2", two, 0x18)]
    assert got(text, "2") == [
        ("10", b"\x49\x02\x01\0\0\0" + VIN),
        ("18", b"\x49\x0a\x01" + b"ABCD" * 5),
    ]


@pytest.mark.parametrize(
    ("pick", "fault"),
    [
        ([0, 1, 3, 4], "messages numbered 1 2 4 5"),
        ([1, 2, 3, 4], "messages numbered 2 3 4 5"),
        ([0, 1, 2, 2, 4], "messages numbered 1 2 3 3 5"),
        ([0, 0, 1, 2, 3, 4], "messages numbered 1 1 2 3 4 5"),
        ([0, 1, 2, 3], "messages 4 where 5 make one item"),
    ],
)
@pytest.mark.parametrize("protocol", LEGACY)
def test_a_missing_or_double_message_is_a_fault(protocol, pick, fault, line) -> None:
    result = assemble([line(protocol, VIN_MESSAGES[i]) for i in pick], PROTOCOLS[protocol])
    assert result.messages == ()
    assert result.faults == (f"vehicle information 02 of 10: {fault}; dropped",)


def test_message_counts_are_not_numbered_messages(line) -> None:
    assert got([line("3", b"\x49\x01\x05")], "3") == [("10", b"\x49\x01\x05")]
    assert got([line("3", b"\x49\x00\x01\x54\0\0\0")], "3") == [("10", b"\x49\x00\x01\x54\0\0\0")]


@pytest.mark.parametrize("service", [0x43, 0x47])
@pytest.mark.parametrize("protocol", LEGACY)
def test_code_lists_are_joined_per_module(protocol: str, service: int, line) -> None:
    first = bytes([service]) + bytes.fromhex("010201130171")
    second = bytes([service]) + bytes.fromhex("030000000000")
    text = [line(protocol, first), line(protocol, first, 0x18), line(protocol, second)]
    assert got(text, protocol) == [("10", first + second[1:]), ("18", first)]


def test_other_messages_of_one_module_stay_apart(line) -> None:
    pending, answer = b"\x7f\x01\x78", PID_00
    text = [line("5", pending), line("5", answer)]
    assert [p for _, p in got(text, "5")] == [pending, answer]


@pytest.mark.parametrize("protocol", LEGACY)
def test_without_headers_lines_begin_at_the_service(protocol: str) -> None:
    assert got(["41 00 BE 3E B8 11"], protocol, headers=False) == [(UNKNOWN_SOURCE, PID_00)]
    text = [message.hex().upper() for message in VIN_MESSAGES]
    whole = b"\x49\x02\x01\0\0\0" + VIN
    assert got(text, protocol, headers=False) == [(UNKNOWN_SOURCE, whole)]
    assert got(text, protocol, request=b"\x09\x02") == [(UNKNOWN_SOURCE, whole)]


def test_two_modules_without_headers_are_not_mixed_up() -> None:
    text = [message.hex() for message in VIN_MESSAGES for _ in range(2)]
    result = assemble(text, PROTOCOLS["3"], headers=False)
    assert result.messages == ()
    assert "without a known source" in result.faults[0]


def test_a_damaged_j1850_header_is_not_taken_for_an_answer() -> None:
    # 41 6B opens a PWM reply and also an answer to PID 6B; its checksum is wrong here.
    assert got(["416B104100BE3EB81100"], "1", request=b"\x01\x6b") == []


@pytest.mark.parametrize("text", ["486B104100 <DATA ERROR", "48 6B 10 4", "zz"])
def test_text_that_is_no_message_is_quoted_in_the_fault(text: str) -> None:
    result = assemble([text], PROTOCOLS["3"])
    assert result.messages == ()
    assert repr(text) in result.faults[0]
