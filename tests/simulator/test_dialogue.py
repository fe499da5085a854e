"""What the adapter prints, byte for byte. The dialect is common practice, no source; payload
layouts are those of SAE J1979 and framing that of ISO 15765-2, typed by hand."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from obdlog.clock import ManualClock
from obdlog.simulator.car import SimulatedCar

from .conftest import Terminal

Plug = Callable[..., Terminal]


@pytest.mark.parametrize(
    ("command", "reply"),
    [
        ("ATE0", b"ATE0\rOK\r\r>"),
        ("at e0", b"at e0\rOK\r\r>"),
        ("ATI", b"ATI\rELM327-style v1.5\r\r>"),
        ("ATRV", b"ATRV\r12.5V\r\r>"),
        ("ATDP", b"ATDP\rAUTO\r\r>"),
        ("ATDPN", b"ATDPN\rA0\r\r>"),
        ("ATSP6", b"ATSP6\rOK\r\r>"),
        ("ATSPA6", b"ATSPA6\rOK\r\r>"),
        ("ATST32", b"ATST32\rOK\r\r>"),
        ("ATSH7E0", b"ATSH7E0\rOK\r\r>"),
        ("ATSH18DB33F1", b"ATSH18DB33F1\rOK\r\r>"),
        ("ATCRA", b"ATCRA\rOK\r\r>"),
        ("ATFCSM1", b"ATFCSM1\r?\r\r>"),
        ("ATXYZ", b"ATXYZ\r?\r\r>"),
        ("HELLO", b"HELLO\r?\r\r>"),
        ("0102030405060708", b"0102030405060708\r?\r\r>"),
        ("ATL1", b"ATL1\rOK\r\n\r\n>"),
        ("ATIGN", b"ATIGN\rON\r\r>"),
    ],
)
def test_commands(plug_in: Plug, command: str, reply: bytes) -> None:
    terminal = plug_in()
    terminal.ask("ATZ")
    assert terminal.ask(command) == reply


def test_reset_prints_the_banner_and_restores(plug_in: Plug) -> None:
    terminal = plug_in().ready("ATH1", "ATS0")
    before = terminal.link.clock.now_s()
    assert terminal.ask("ATZ") == b"\r\rELM327-style v1.5\r\r>"
    assert terminal.link.clock.now_s() - before > 0.5
    assert terminal.ask("010D").startswith(b"010D\rSEARCHING...\r41 0D 00 ")


def test_search_then_settled(plug_in: Plug) -> None:
    terminal = plug_in()
    terminal.ask("ATZ")
    terminal.ask("ATE0")
    assert terminal.ask("010D") == b"SEARCHING...\r41 0D 00 \r41 0D 00 \r\r>"
    assert terminal.ask("010D") == b"41 0D 00 \r41 0D 00 \r\r>"
    assert terminal.ask("ATDPN") == b"A6\r\r>"
    assert terminal.ask("ATDP") == b"AUTO, ISO 15765-4 (CAN 11/500)\r\r>"


@pytest.mark.parametrize(
    ("setting", "reply"),
    [
        ((), b"014 \r"),
        (("ATS0",), b"014\r0:490201585830\r1:534D564333314B\r2:30303030313033\r\r>"),
        (
            ("ATH1", "ATS0"),
            b"7E81014490201585830\r7E821534D564333314B\r7E82230303030313033\r\r>",
        ),
        (
            ("ATH1",),
            b"7E8 10 14 49 02 01 58 58 30 \r7E8 21 53 4D 56 43 33 31 4B \r"
            b"7E8 22 30 30 30 30 31 30 33 \r\r>",
        ),
        (
            ("ATH1", "ATD1"),
            b"7E8 8 10 14 49 02 01 58 58 30 \r7E8 8 21 53 4D 56 43 33 31 4B \r"
            b"7E8 8 22 30 30 30 30 31 30 33 \r\r>",
        ),
        (
            ("ATH1", "ATS0", "ATL1"),
            b"7E81014490201585830\r\n7E821534D564333314B\r\n7E82230303030313033\r\n\r\n>",
        ),
    ],
)
def test_long_reply_on_can(plug_in: Plug, setting: tuple[str, ...], reply: bytes) -> None:
    terminal = plug_in().ready(*setting)
    found = terminal.ask("0902")
    if setting:
        assert found == reply
    else:
        assert found == (
            b"014\r0: 49 02 01 58 58 30 \r1: 53 4D 56 43 33 31 4B \r2: 30 30 30 30 31 30 33 \r\r>"
        )


def test_padding_is_shown_without_formatting(plug_in: Plug) -> None:
    terminal = plug_in().ready("ATH1", "ATS0", "ATCAF0", "ATSH7E0")
    assert terminal.ask("02010D") == b"7E803410D0000000000\r\r>"


@pytest.mark.parametrize(
    ("scenario", "number", "codes"),
    [
        # Header, service 43, three codes padded, checksum (CRC of SAE J1850 or sum modulo 256).
        ("legacy-pwm", "A1", [b"41 6B 10 43 01 33 00 00 00 00 21 "]),
        (
            "legacy-vpw",
            "A2",
            [
                b"48 6B 10 43 01 33 04 41 05 07 F4 ",
                b"48 6B 10 43 01 13 00 00 00 00 A6 ",
                b"48 6B 18 43 00 00 00 00 00 00 72 ",
            ],
        ),
        ("legacy-iso9141", "A3", [b"48 6B 10 43 01 33 00 00 00 00 3A "]),
        (
            "legacy-kwp",
            "A5",
            [b"87 F1 10 43 01 33 04 41 05 07 50 ", b"87 F1 10 43 01 13 00 00 00 00 DF "],
        ),
    ],
)
def test_codes_on_the_older_buses(
    plug_in: Plug, scenario: str, number: str, codes: list[bytes]
) -> None:
    terminal = plug_in(scenario).ready("ATH1")
    assert terminal.ask("ATDPN") == number.encode() + b"\r\r>"
    assert terminal.ask("03") == b"".join(line + b"\r" for line in codes) + b"\r>"
    terminal.ask("ATH0")
    assert terminal.ask("03").startswith(b"43 01 33 ")


def test_vin_in_five_messages(plug_in: Plug) -> None:
    # SAE J1979 on the older buses: message number, four bytes each, three NULs in front.
    terminal = plug_in("legacy-iso9141").ready()
    assert terminal.lines("0902") == [
        "49 02 01 00 00 00 58",
        "49 02 02 58 30 53 4D",
        "49 02 03 56 33 37 35",
        "49 02 04 32 30 30 30",
        "49 02 05 30 31 30 37",
    ]
    assert terminal.lines("0901") == ["49 01 05"]


def test_bus_initialisation_is_shown(plug_in: Plug) -> None:
    terminal = plug_in("legacy-iso9141")
    for command in ("ATZ", "ATE0", "ATSP3"):
        terminal.ask(command)
    assert terminal.ask("010D") == b"BUS INIT: ...OK\r41 0D 00 \r\r>"
    assert terminal.ask("010D") == b"41 0D 00 \r\r>"
    terminal.ask("ATSP5")
    assert terminal.ask("010D") == b"BUS INIT: ERROR\r\r>"


@pytest.mark.parametrize(
    ("setting", "reply"),
    [
        ("ATSP0", b"SEARCHING...\rUNABLE TO CONNECT\r\r>"),
        ("ATSP6", b"CAN ERROR\r\r>"),
        ("ATSP4", b"BUS INIT: ...ERROR\r\r>"),
        ("ATSP2", b"NO DATA\r\r>"),
    ],
)
def test_key_off(plug_in: Plug, setting: str, reply: bytes) -> None:
    car = SimulatedCar("healthy-petrol", 1, ManualClock())
    car.key("off")
    terminal = plug_in(car=car)
    for command in ("ATZ", "ATE0", setting):
        terminal.ask(command)
    assert terminal.ask("0100") == reply
    assert terminal.ask("ATIGN") == b"OFF\r\r>"
    assert terminal.ask("ATRV") == b"12.5V\r\r>"


def test_silence_is_no_data(plug_in: Plug) -> None:
    terminal = plug_in().ready("ATAT0", "ATST19")
    before = terminal.link.clock.now_s()
    assert terminal.ask("0142FF") != b"NO DATA\r\r>"
    assert terminal.ask("01A6") == b"NO DATA\r\r>"
    terminal.ask("ATST64")
    before = terminal.link.clock.now_s()
    assert terminal.ask("01A6") == b"NO DATA\r\r>"
    # ST counts 4.096 ms: 64 hex is 0.41 s.
    assert terminal.link.clock.now_s() - before == pytest.approx(0.41, abs=0.03)


def test_count_digit_saves_the_wait(plug_in: Plug) -> None:
    terminal = plug_in().ready("ATAT0")
    clock = terminal.link.clock
    before = clock.now_s()
    assert terminal.ask("010D") == b"41 0D 00 \r41 0D 00 \r\r>"
    waited = clock.now_s() - before
    before = clock.now_s()
    assert terminal.ask("010D2") == b"41 0D 00 \r41 0D 00 \r\r>"
    assert clock.now_s() - before < waited - 0.15
    assert terminal.ask("010D 1") == b"41 0D 00 \r\r>"


def test_bare_return_repeats(plug_in: Plug) -> None:
    terminal = plug_in().ready()
    assert terminal.ask("010D1") == terminal.ask("")


def test_several_pids_only_on_can(plug_in: Plug) -> None:
    assert plug_in().ready("ATSH7E0").lines("010D0C") == ["41 0D 00 0C 00 00"]
    assert plug_in("legacy-vpw").ready().lines("010D0C") == ["NO DATA"]


def test_physical_addressing_and_filter(plug_in: Plug) -> None:
    terminal = plug_in().ready("ATH1", "ATS0")
    terminal.ask("ATSH7E1")
    assert terminal.lines("010D") == ["7E903410D00"]
    terminal.ask("ATSH7DF")
    terminal.ask("ATCRA7E8")
    assert terminal.lines("010D") == ["7E803410D00"]
    terminal.ask("ATCRA")
    assert len(terminal.lines("010D")) == 2
    terminal.ask("ATSH7E5")
    assert terminal.lines("010D") == ["NO DATA"]


def test_29_bit_addressing(plug_in: Plug) -> None:
    terminal = plug_in("diesel-29bit").ready("ATH1")
    assert terminal.lines("010D") == ["18 DA F1 10 03 41 0D 00", "18 DA F1 18 03 41 0D 00"]
    terminal.ask("ATSHDA18F1")
    assert terminal.lines("010D") == ["18 DA F1 18 03 41 0D 00"]


def test_flow_control_can_be_withheld(plug_in: Plug) -> None:
    terminal = plug_in().ready("ATH1", "ATS0", "ATCFC0")
    assert terminal.lines("0902") == ["7E81014490201585830"]
    for command in ("ATCFC1", "ATFCSH7E0", "ATFCSD300000", "ATFCSM1"):
        assert terminal.ask(command) == b"OK\r\r>"
    assert len(terminal.lines("0902")) == 3


def test_a_byte_stops_the_search(plug_in: Plug) -> None:
    terminal = plug_in()
    terminal.ask("ATZ")
    terminal.ask("ATE0")
    terminal.link.write(b"0100\r")
    assert terminal.link.read(0.05) == b"SEARCHING..."
    terminal.link.write(b" ")
    assert terminal.listen() == b"STOPPED\r\r>"
    assert terminal.ask("0100").startswith(b"SEARCHING...\r41 00 ")


def test_commands_typed_ahead_are_all_answered(plug_in: Plug) -> None:
    terminal = plug_in()
    terminal.link.write(b"ATZ\rATE0\rATS0\r")
    found = terminal.listen() + terminal.listen() + terminal.listen()
    assert found == b"ATZ\r\r\rELM327-style v1.5\r\r>ATE0\rOK\r\r>OK\r\r>"


def test_line_feeds_and_nuls_are_ignored(plug_in: Plug) -> None:
    terminal = plug_in().ready()
    terminal.link.write(b"\x0001\x000D\r\n")
    assert terminal.listen() == b"41 0D 00 \r41 0D 00 \r\r>"


def test_an_endless_line_is_bounded(plug_in: Plug) -> None:
    terminal = plug_in().ready()
    assert terminal.ask("0" * 5000) == b"?\r\r>"


def test_response_pending_is_printed_before_the_answer(plug_in: Plug) -> None:
    # ISO 15765-4 / ISO 14229-1: 7F, service, 78, then the answer.
    terminal = plug_in("diesel-29bit").ready("ATS0", "ATSHDA10F1")
    assert terminal.lines("04") == ["7F0478", "44"]


def test_minimal_adapter(plug_in: Plug) -> None:
    terminal = plug_in(personality="minimal").ready("ATH1", "ATS0")
    assert terminal.ask("ATDPN") == b"?\r\r>"
    assert terminal.ask("ATAT1") == b"?\r\r>"
    assert terminal.lines("010D") == ["7E803410D0000000000", "7E903410D0000000000"]


def test_counterfeit_adapter_disagrees_with_its_claim(plug_in: Plug) -> None:
    terminal = plug_in("counterfeit").ready("ATH1", "ATS0")
    assert terminal.ask("ATI") == b"ELM327-style v2.1\r\r>"
    assert len(terminal.lines("0902")) == 2
    terminal.ask("ATCRA7E8")
    assert len(terminal.lines("010D1")) == 2


def test_noisy_adapter_repeats_itself_by_seed(plug_in: Plug) -> None:
    def talk(seed: int) -> bytes:
        terminal = plug_in(personality="noisy", seed=seed).ready()
        return b"".join(terminal.ask("0902") for _ in range(40))

    first = talk(1)
    assert b"\x00" in first
    assert first == talk(1)
    assert first != talk(2)


def test_slow_adapter_takes_its_time(plug_in: Plug) -> None:
    def took(personality: str) -> float:
        terminal = plug_in(personality=personality).ready()
        before = terminal.link.clock.now_s()
        terminal.ask("09023")
        return terminal.link.clock.now_s() - before

    # About 75 characters, at 9600 bit/s 1.04 ms each.
    assert took("slow-speed") - took("plain") == pytest.approx(0.07, abs=0.02)
