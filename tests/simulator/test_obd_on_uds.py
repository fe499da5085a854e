"""The simulated car after SAE J1979-2: layouts as public descriptions have them.

Which services and identifiers answer: SAE J1979-2 by public descriptions; layouts of data behind
F4xx, F6xx, F8xx are those of SAE J1979 (from memory). udsoncan reads reports 02 and 42 besides; of
report 55 it expects five bytes a code, where public descriptions (SAE J1979-2) have four.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
import udsoncan
from udsoncan.services import ReadDTCInformation

from .conftest import Terminal
from .test_modules import Bench

ENGINE, GEARBOX = 0x7E0, 0x7E1
VIN = b"XX0SMVU23T0000112".hex().upper()
Plug = Callable[..., Terminal]


@pytest.fixture
def bench() -> Bench:
    return Bench("obd-on-uds")


@pytest.mark.parametrize("service", range(0x01, 0x0B))
def test_the_older_services_are_gone(bench: Bench, service: int) -> None:
    assert bench.ask(f"{service:02X}00", ENGINE) == [f"7F{service:02X}11"]
    assert bench.ask(f"{service:02X}00", None) == []


def test_current_data(bench: Bench) -> None:
    assert bench.ask("22F40C", ENGINE) == ["62F40C0000"]
    assert bench.ask("22F401F40CF40D", ENGINE) == ["62F401" + "8307E521" + "F40C0000" + "F40D00"]
    assert bench.ask("22F40D", None) == ["62F40D00", "62F40D00"]
    # What a unit does not have is left out; with nothing left it refuses, alone only.
    assert bench.ask("22F40DF405", GEARBOX) == ["62F40D00"]
    assert bench.ask("22F405", GEARBOX) == ["7F2231"]
    assert len(bench.ask("22F405", None)) == 1
    assert bench.ask("22F500", ENGINE) == ["7F2231"]
    assert bench.ask("22F500", None) == []


def test_a_request_has_its_limits(bench: Bench) -> None:
    assert bench.ask("22F404F405F40CF40D", ENGINE) == ["7F2213"]
    assert bench.ask("22F404F4", ENGINE) == ["7F2213"]


def test_bitmaps_announce_what_answers(bench: Bench) -> None:
    for family in ("F4", "F6", "F8"):
        announced, base = set[int](), 0
        while base is not None:
            (reply,) = bench.ask(f"22{family}{base:02X}", ENGINE)
            bits = int(reply[6:], 16)
            found = {base + n for n in range(1, 33) if bits >> (32 - n) & 1}
            announced |= {low for low in found if low % 0x20}
            base = base + 0x20 if base + 0x20 in found else None  # type: ignore[assignment]
        answered = {
            low
            for low in range(0x100)
            if low % 0x20 and bench.ask(f"22{family}{low:02X}", ENGINE)[0].startswith("62")
        }
        assert announced == answered != set(), family


def test_vehicle_information_with_and_without_counts(bench: Bench) -> None:
    assert bench.ask("22F802", ENGINE) == ["62F802" + VIN]
    assert bench.ask("22F804", ENGINE) == ["62F804" + b"SIM15-U01A-0003\0".hex().upper()]
    assert bench.ask("22F806", ENGINE) == ["62F8060D15EA5E"]
    assert bench.ask("22F804", GEARBOX) == ["62F80401" + b"SIM-DCT7-0009\0\0\0".hex().upper()]
    assert bench.ask("22F810", ENGINE) == ["62F81001"]


def test_onboard_tests_without_repeated_monitor(bench: Bench) -> None:
    # Test identifier, scaling, value, low and high limit: eight bytes each.
    assert bench.ask("22F6A2", ENGINE) == ["62F6A2" + "0B24000100000078" + "0C24000000000078"]
    # The catalyst's test has not run.
    assert bench.ask("22F621", ENGINE) == ["62F621" + "8020" + "000000000000"]


def test_codes(bench: Bench) -> None:
    head = "594233FF1E04"
    listed = "04010216A8" + "04011315A8" + "0201710004" + "02044200A8"
    assert bench.ask("1942330C1E", None) == [head + listed, head]
    assert bench.ask("194233041E", ENGINE) == [head + "0201710004"]
    assert bench.ask("1942330C04", ENGINE) == [head + "04010216A8" + "04011315A8"]
    assert bench.ask("195533", ENGINE) == ["595533FF04" + "010216A8"]
    assert bench.ask("1942FF0C1E", ENGINE) == ["7F1931"]
    assert bench.ask("1942330C", ENGINE) == ["7F1913"]
    assert bench.ask("194333", ENGINE) == ["7F1912"]


@pytest.mark.parametrize(
    ("request_", "kind", "codes"),
    [
        ("1902AF", 0x02, [0x010216, 0x011315, 0x017100, 0x044200]),
        ("1942330C1E", 0x42, [0x010216, 0x011315, 0x017100, 0x044200]),
    ],
)
def test_udsoncan_reads_the_same_codes(
    bench: Bench, request_: str, kind: int, codes: list[int]
) -> None:
    (reply,) = bench.ask(request_, ENGINE)
    response = udsoncan.Response.from_payload(bytes.fromhex(reply))
    found = ReadDTCInformation.interpret_response(response, kind).service_data
    assert [dtc.id for dtc in found.dtcs] == codes


def test_readiness_groups_list_their_codes(bench: Bench) -> None:
    assert bench.ask("19563301", ENGINE) == ["595633FF0401" + "010216A8" + "011315A8"]
    assert bench.ask("19563304", ENGINE) == ["595633FF0404" + "04200050"]
    assert bench.ask("19563305", ENGINE) == bench.ask("195633FF", ENGINE) == ["7F1931"]


def test_stored_data(bench: Bench) -> None:
    (snapshot,) = bench.ask("1904010216FF", ENGINE)
    # Record 01 with eleven identifiers, as in the freeze frame of the scenario.
    assert snapshot.startswith("5904010216A8" + "010B" + "F404")
    assert "F40C0CD0" in snapshot
    assert bench.ask("190401021601", ENGINE) == [snapshot]
    assert bench.ask("1904044200FF", ENGINE) == ["5904044200A8"]
    assert bench.ask("1904123400FF", ENGINE) == ["7F1931"]
    assert bench.ask("1906010216FF", ENGINE) == ["5906010216A8" + "9001" + "910002"]
    assert bench.ask("1906010216FE", ENGINE) == ["5906010216A8" + "9001" + "910002"]
    assert bench.ask("191A91", ENGINE) == ["591AFF91" + "010216A8"]
    assert bench.ask("191A9F", ENGINE) == ["7F1931"]


def test_an_erase_takes_what_service_04_takes(bench: Bench) -> None:
    assert bench.ask("14FFFF33", None) == ["54", "54"]
    assert bench.ask("1942330C1E", None) == ["594233FF1E04"] * 2
    # Permanent codes stay; nothing has been tested since.
    assert bench.ask("195533", ENGINE) == ["595533FF04" + "01021650"]
    assert bench.ask("1904010216FF", ENGINE) == ["590401021650"]
    assert bench.ask("22F401", ENGINE) == ["62F4010077E5E5"]
    assert bench.ask("22F430", ENGINE) == ["62F43000"]
    assert bench.ask("22F63B", ENGINE) == ["62F63B8032" + "0000" * 3]
    assert bench.ask("14FFFF34", ENGINE) == ["7F1431"]
    assert bench.ask("14FFFF", ENGINE) == ["7F1413"]


def test_no_erase_while_the_engine_runs(bench: Bench) -> None:
    bench.car.drive("idle")
    bench.wait(5.0)
    # Also to all: conditions are said, only "not supported" is not (ISO 14229-1).
    assert bench.ask("14FFFF33", None) == ["7F1422", "7F1422"]


def test_the_leak_comes_back_only_with_its_own_test(bench: Bench) -> None:
    bench.ask("14FFFF33", None)
    bench.car.drive("road-test")
    bench.wait(860.0)
    assert bench.ask("1942330C1E", ENGINE) == ["594233FF1E04"]
    assert bench.ask("22F40D", ENGINE) == ["62F40D00"]


def test_an_adapter_does_not_find_it_by_the_classic_search(plug_in: Plug) -> None:
    terminal = plug_in("obd-on-uds").ready("ATH1", "ATS0")
    assert terminal.lines("0100") == ["SEARCHING...", "UNABLE TO CONNECT"]
    terminal.ask("ATSP6")
    assert terminal.lines("0100") == ["NO DATA"]
    assert terminal.lines("22F40D") == ["7E80462F40D00", "7E90462F40D00"]
