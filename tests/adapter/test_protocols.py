"""Protocol numbers, headers and addresses.

Numbers: published ELM327-style command set, from memory. Addresses: ISO 15765-4 (7DF, 7E0–7EF,
18DB33F1, 18DAxxF1), ISO 9141-2 (68 6A F1), ISO 14230-4 (C2 33 F1), SAE J1850/J2178 (61 6A F1,
68 6A F1, 6C), from memory of the named standards.
"""

from __future__ import annotations

import pytest

from obdlog.adapter.protocols import (
    PROTOCOLS,
    header_commands,
    request_address,
    response_address,
)
from obdlog.model import FUNCTIONAL, Bus


@pytest.mark.parametrize(
    ("number", "bus", "id_bits", "bit_rate"),
    [
        ("1", Bus.LEGACY, 0, 41_600),
        ("2", Bus.LEGACY, 0, 10_400),
        ("3", Bus.LEGACY, 0, 10_400),
        ("4", Bus.LEGACY, 0, 10_400),
        ("5", Bus.LEGACY, 0, 10_400),
        ("6", Bus.CAN, 11, 500_000),
        ("7", Bus.CAN, 29, 500_000),
        ("8", Bus.CAN, 11, 250_000),
        ("9", Bus.CAN, 29, 250_000),
    ],
)
def test_the_nine_legislated_protocols(number: str, bus: Bus, id_bits: int, bit_rate: int) -> None:
    protocol = PROTOCOLS[number]
    assert (protocol.number, protocol.bus) == (number, bus)
    assert (protocol.id_bits, protocol.bit_rate) == (id_bits, bit_rate)
    assert len(PROTOCOLS) == 9


@pytest.mark.parametrize(
    ("number", "target", "commands"),
    [
        ("1", FUNCTIONAL, ("ATSH616AF1",)),
        ("2", FUNCTIONAL, ("ATSH686AF1",)),
        ("3", FUNCTIONAL, ("ATSH686AF1",)),
        ("4", FUNCTIONAL, ("ATSHC233F1",)),
        ("5", FUNCTIONAL, ("ATSHC233F1",)),
        ("6", FUNCTIONAL, ("ATSH7DF",)),
        ("7", FUNCTIONAL, ("ATSHDB33F1", "ATCP18")),
        ("8", FUNCTIONAL, ("ATSH7DF",)),
        ("9", FUNCTIONAL, ("ATSHDB33F1", "ATCP18")),
        ("6", "7E0", ("ATSH7E0",)),
        ("8", "7e1", ("ATSH7E1",)),
        ("7", "18DA10F1", ("ATSHDA10F1", "ATCP18")),
        ("9", "DA10F1", ("ATSHDA10F1", "ATCP18")),
        ("7", "10", ("ATSHDA10F1", "ATCP18")),
        ("2", "10", ("ATSH6C10F1",)),
        ("5", "10", ("ATSH8210F1",)),
    ],
)
def test_header_commands(number: str, target: str, commands: tuple[str, ...]) -> None:
    assert header_commands(PROTOCOLS[number], target) == commands


@pytest.mark.parametrize(
    ("number", "target"),
    [
        ("6", "18DA10F1"),
        ("6", "FFF"),
        ("7", "7E0"),
        ("7", "FFDA10F1"),
        ("3", "10"),
        ("1", "10"),
        ("6", "7E0\rATZ"),
        ("5", "1"),
        ("5", ""),
        ("6", "ßEF"),
    ],
)
def test_a_target_that_does_not_fit_is_misuse(number: str, target: str) -> None:
    with pytest.raises(ValueError, match=r"address|identifier|physical"):
        header_commands(PROTOCOLS[number], target)


@pytest.mark.parametrize(
    ("number", "request_id", "answer"),
    [("6", "7E0", "7E8"), ("8", "7E7", "7EF"), ("7", "18DA10F1", "18DAF110"), ("5", "10", "10")],
)
def test_request_and_response_addresses_belong_together(
    number: str, request_id: str, answer: str
) -> None:
    protocol = PROTOCOLS[number]
    assert response_address(protocol, request_id) == answer
    assert request_address(protocol, answer) == request_id


def test_addresses_that_no_standard_gives() -> None:
    assert response_address(PROTOCOLS["6"], FUNCTIONAL) is None
    assert response_address(PROTOCOLS["6"], "760") is None
    assert request_address(PROTOCOLS["6"], "768") is None
    assert request_address(PROTOCOLS["7"], "unknown") is None
    assert request_address(PROTOCOLS["3"], "10") is None
