"""How the simulated adapter reaches modules of any address: header, receive filter, flow control.

The dialect is common practice, no source; framing is that of ISO 15765-2, typed by hand.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from .conftest import Terminal

Plug = Callable[..., Terminal]
VIN_FRAMES = ["7B8101462F190585830", "7B821534D5641313747", "7B82230303030313031"]


@pytest.fixture
def brakes(plug_in: Plug) -> Terminal:
    """A terminal that speaks to the brake module, with flow control left to the adapter."""
    return plug_in("airbox-repair").ready("ATH1", "ATS0", "ATSH7B0")


def obeys(terminal: Terminal, *commands: str) -> None:
    assert [terminal.lines(command) for command in commands] == [["OK"]] * len(commands)


def test_only_legislated_units_pass_by_default(brakes: Terminal) -> None:
    assert brakes.lines("3E00") == ["NO DATA"]
    obeys(brakes, "ATCRA7B8")
    assert brakes.lines("3E00") == ["7B8027E00"]
    obeys(brakes, "ATCRA")
    assert brakes.lines("3E00") == ["NO DATA"]


@pytest.mark.parametrize(
    "commands",
    [
        ("ATCRA7B8",),
        ("ATCRA7BX",),
        ("ATCF7B8", "ATCM7FF"),
        ("ATCF700", "ATCM700"),
    ],
)
def test_a_filter_lets_through_what_fits(brakes: Terminal, commands: tuple[str, ...]) -> None:
    obeys(brakes, *commands)
    assert brakes.lines("3E00") == ["7B8027E00"]
    obeys(brakes, "ATAR")
    assert brakes.lines("3E00") == ["NO DATA"]


def test_a_filter_for_one_module_hides_all_others(brakes: Terminal) -> None:
    obeys(brakes, "ATCRA7B8", "ATSH7DF")
    assert brakes.lines("010D") == ["NO DATA"]


def test_an_odd_response_address_needs_a_wide_filter(brakes: Terminal) -> None:
    obeys(brakes, "ATSH710", "ATCRA718")
    assert brakes.lines("3E00") == ["NO DATA"]
    obeys(brakes, "ATCF700", "ATCM700")
    assert brakes.lines("3E00") == ["77A027E00"]


@pytest.mark.parametrize(
    ("commands", "whole"),
    [
        ((), False),
        (("ATFCSH7B0", "ATFCSD300000", "ATFCSM1"), True),
        (("ATFCSH7E0", "ATFCSD300000", "ATFCSM1"), False),
        (("ATFCSH7B0", "ATFCSD320000", "ATFCSM1"), False),
        (("ATFCSD300000", "ATFCSM2"), False),
        (("ATFCSH7B0", "ATFCSD300000", "ATFCSM1", "ATFCSM0"), False),
        (("ATFCSH7B0", "ATFCSD300000", "ATFCSM1", "ATCFC0"), False),
    ],
)
def test_a_long_reply_goes_on_only_after_the_right_flow_control(
    brakes: Terminal, commands: tuple[str, ...], whole: bool
) -> None:
    obeys(brakes, "ATCRA7B8", *commands)
    assert brakes.lines("22F190") == (VIN_FRAMES if whole else VIN_FRAMES[:1])


def test_legislated_units_get_flow_control_by_themselves(brakes: Terminal) -> None:
    obeys(brakes, "ATSH7E0")
    assert len(brakes.lines("0902")) == 3
    obeys(brakes, "ATFCSD300000", "ATFCSM2")
    assert len(brakes.lines("0902")) == 3


def test_own_flow_control_needs_header_and_data(brakes: Terminal) -> None:
    assert brakes.lines("ATFCSM1") == ["?"]
    assert brakes.lines("ATFCSM2") == ["?"]
    obeys(brakes, "ATFCSD300000", "ATFCSM2")
    assert brakes.lines("ATFCSM1") == ["?"]
    obeys(brakes, "ATFCSH7B0", "ATFCSM1")


@pytest.mark.parametrize("command", ["ATCEA", "ATCEA05", "ATFCSM3", "ATCRA12", "ATCF1", "ATSH12"])
def test_what_the_adapter_does_not_know(brakes: Terminal, command: str) -> None:
    assert brakes.lines(command) == ["?"]


def test_seven_bytes_fit_a_request(brakes: Terminal) -> None:
    obeys(brakes, "ATCRA7B8", "ATFCSH7B0", "ATFCSD300000", "ATFCSM1")
    assert brakes.lines("22F187F189F190")[0].startswith("7B81")
    assert brakes.lines("22F187F189F190F1") == ["?"]


@pytest.mark.parametrize(
    "flow_header", [("ATFCSH18DA28F1",), ("ATFCSHDA28F1",), ("ATCP18", "ATFCSHDA28F1")]
)
def test_29_bit_modules_at_their_fixed_addresses(
    plug_in: Plug, flow_header: tuple[str, ...]
) -> None:
    terminal = plug_in("diesel-29bit").ready("ATH1", "ATS0", "ATSH18DA28F1")
    assert terminal.lines("3E00") == ["18DAF128027E00"]
    # Normal fixed addressing tells the adapter where to send flow control.
    assert len(terminal.lines("22F190")) == 3
    obeys(terminal, *flow_header, "ATFCSD300000", "ATFCSM1")
    assert len(terminal.lines("22F190")) == 3
    obeys(terminal, "ATFCSH18DA10F1")
    assert len(terminal.lines("22F190")) == 1


@pytest.mark.parametrize("change", ["ATSP7", "ATTP7"])
def test_a_session_may_change_to_the_other_width_and_back(plug_in: Plug, change: str) -> None:
    terminal = plug_in("awkward-modules").ready("ATH1", "ATS0")
    obeys(terminal, change, "ATSH18DA60F1")
    assert terminal.lines("3E00") == ["18DAF160027E00"]
    assert terminal.lines("1902AF") == ["18DAF160100B5902FF970013", "18DAF1602128970113280000"]
    obeys(terminal, "ATSH18DB33F1")
    # The legislated units of this car have identifiers of eleven bits.
    assert terminal.lines("0100") == ["NO DATA"]
    obeys(terminal, "ATSP6", "ATSH7DF")
    assert terminal.lines("010D") == ["7E803410D00"]


def test_another_bit_rate_is_no_bus(plug_in: Plug) -> None:
    terminal = plug_in("awkward-modules").ready("ATSP8")
    assert terminal.lines("0100") == ["CAN ERROR"]


def test_an_adapter_with_a_fixed_filter(plug_in: Plug) -> None:
    terminal = plug_in("airbox-repair", personality="fixed-filter").ready("ATH1", "ATS0")
    for command in ("ATCRA7B8", "ATCRA", "ATAR", "ATCF7B8", "ATCM7FF", "ATFCSH7B0", "ATFCSD30"):
        assert terminal.lines(command) == ["?"]
    assert len(terminal.lines("0902")) == 3
    assert terminal.lines("ATSH7B0") == ["OK"]
    assert terminal.lines("3E00") == ["NO DATA"]


def test_many_delays_are_printed_one_by_one(plug_in: Plug) -> None:
    terminal = plug_in("awkward-modules").ready("ATH1", "ATS0", "ATSH716", "ATCRA71E")
    terminal.ready("ATH1", "ATS0", "ATSH716", "ATCRA71E")
    obeys(terminal, "ATFCSH716", "ATFCSD300000", "ATFCSM1")
    assert terminal.lines("1902AF") == ["71E037F1978"] * 24 + ["71E075902FF92341528"]


def test_frames_of_two_modules_on_one_address_mix(plug_in: Plug) -> None:
    terminal = plug_in("awkward-modules").ready("ATH1", "ATS0", "ATSH750", "ATCRA758")
    obeys(terminal, "ATFCSH750", "ATFCSD300000", "ATFCSM1")
    assert terminal.lines("1902AF") == [
        "758100B5902FF960001",
        "758100B5902FF960201",
        "75821289601012800".ljust(19, "0"),
        "75821289603012800".ljust(19, "0"),
    ]
