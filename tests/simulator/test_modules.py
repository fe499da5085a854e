"""Modules beyond the legislated ones: services of ISO 14229-1 and ISO 14230-3, and what an erase,
a key cycle and a drive change.

A general-purpose library (udsoncan) is the tester in the tests of ISO 14229-1: it encodes each
request and decodes each reply. Rows of ISO 14230-3 are from memory of that standard. How lamps go
out after an erase is common practice, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import pytest
import udsoncan
from udsoncan.client import Client
from udsoncan.connections import BaseConnection
from udsoncan.exceptions import NegativeResponseException

from obdlog.clock import ManualClock
from obdlog.errors import TableError
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.profile import load_profile, parse_profile, read_profile_text
from obdlog.simulator.profile import scenario_names as all_scenarios

BRAKES, RESTRAINTS, INSTRUMENTS, BODY = 0x7B0, 0x737, 0x720, 0x710
GUARDED = 0x705


class Bench:
    """One car and direct access to its modules."""

    def __init__(self, scenario: str = "airbox-repair", **options: float | None) -> None:
        self.clock = ManualClock()
        self.car = SimulatedCar(scenario, 1, self.clock, **options)  # type: ignore[arg-type]

    def ask(self, request: str, target: int | None = BRAKES, bits: int | None = None) -> list[str]:
        answers = self.car.answers(bytes.fromhex(request), target, self.clock.now_s(), id_bits=bits)
        return [a.payload.hex().upper() for a in answers]

    def wait(self, seconds: float) -> None:
        self.clock.sleep_s(seconds)
        self.car.advance()

    def key_cycle(self) -> None:
        self.car.after_key_cycle()
        self.wait(3.0)


class Wire(BaseConnection):
    """Carries udsoncan's payloads to one module of the bench and back."""

    def __init__(self, bench: Bench, target: int) -> None:
        super().__init__()
        self._bench, self._target = bench, target
        self._came: deque[bytes] = deque()

    def open(self) -> Wire:
        return self

    def close(self) -> None:
        self._came.clear()

    def is_open(self) -> bool:
        return True

    def empty_rxqueue(self) -> None:
        self._came.clear()

    def specific_send(self, payload: bytes, timeout: float | None = None) -> None:
        self._came.extend(map(bytes.fromhex, self._bench.ask(payload.hex(), self._target)))

    def specific_wait_frame(self, timeout: float | None = None) -> bytes | None:
        if not self._came:
            raise udsoncan.exceptions.TimeoutException("nothing came")
        return self._came.popleft()


Tester = Callable[..., Client]


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def tester(bench: Bench) -> Tester:
    """Return a maker of udsoncan clients that speak to one module of the bench."""

    def connect(target: int = BRAKES, other: Bench | None = None) -> Client:
        client = Client(Wire(other or bench, target), request_timeout=1)
        client.config["data_identifiers"] = {
            0xF187: udsoncan.AsciiCodec(14),
            0xF189: udsoncan.AsciiCodec(4),
            0xF190: udsoncan.AsciiCodec(17),
            0xF40D: "B",
            0xF442: ">H",
        }
        client.config["extended_data_size"] = 1
        return client

    return connect


def codes(response: udsoncan.Response) -> dict[str, int]:
    """Return codes of three bytes and their status as udsoncan reads them."""
    return {f"{d.id:06X}": d.status.get_byte_as_int() for d in response.service_data.dtcs}


def test_an_independent_tester_reads_every_report(tester: Tester) -> None:
    client = tester()
    found = client.get_dtc_by_status_mask(0xAF)
    assert codes(found) == {"403413": 0xA8, "C40181": 0x28}
    assert found.service_data.status_availability.get_byte_as_int() == 0xFF
    assert client.get_number_of_dtc_by_status_mask(0xFF).service_data.dtc_count == 3
    assert set(codes(client.get_supported_dtc())) == {"403413", "C40181", "404064", "C10087"}
    (extended,) = client.get_dtc_extended_data_by_dtc_number(0x403413, 0xFF).service_data.dtcs
    assert [(e.record_number, e.raw_data) for e in extended.extended_data] == [(1, b"\x03")]
    (shown,) = client.get_dtc_snapshot_by_dtc_number(0x403413, 1).service_data.dtcs
    assert {s.did: s.data for s in shown.snapshots} == {0xF40D: (0,), 0xF442: (0x3020,)}


def test_an_independent_tester_reads_who_a_module_is(tester: Tester) -> None:
    values = tester().read_data_by_identifier([0xF190, 0xF187, 0xF189]).service_data.values
    assert values == {0xF190: "XX0SMVA17G0000101", 0xF187: "SIM18-BRK-4410", 0xF189: "0107"}


def test_an_independent_tester_changes_session_and_erases(tester: Tester) -> None:
    client = tester(GUARDED, Bench("awkward-modules"))
    with pytest.raises(NegativeResponseException) as refused:
        client.get_dtc_by_status_mask(0xAF)
    assert refused.value.response.code_name == "ServiceNotSupportedInActiveSession"
    times = client.change_session(0x03).service_data
    # P2 of 50 ms and P2* of 5 s, in the units of ISO 14229-1.
    assert (times.p2_server_max, times.p2_star_server_max) == (0.05, 5.0)
    assert codes(client.get_dtc_by_status_mask(0xAF)) == {"C12187": 0x28, "9A2C11": 0x2B}
    client.tester_present()
    client.clear_dtc(0xFFFFFF)
    assert codes(client.get_dtc_by_status_mask(0xAF)) == {}


@pytest.mark.parametrize(
    ("request_", "code", "name"),
    [
        ("1903FF", 0x12, "SubFunctionNotSupported"),
        ("19", 0x13, "IncorrectMessageLengthOrInvalidFormat"),
        ("1902", 0x13, "IncorrectMessageLengthOrInvalidFormat"),
        ("1906112233FF", 0x31, "RequestOutOfRange"),
        ("190640341302", 0x31, "RequestOutOfRange"),
        ("14112233", 0x31, "RequestOutOfRange"),
        ("14FFFF", 0x13, "IncorrectMessageLengthOrInvalidFormat"),
        ("22F1FF", 0x31, "RequestOutOfRange"),
        ("22F1", 0x13, "IncorrectMessageLengthOrInvalidFormat"),
        ("1002", 0x12, "SubFunctionNotSupported"),
        ("10", 0x13, "IncorrectMessageLengthOrInvalidFormat"),
        ("3E01", 0x12, "SubFunctionNotSupported"),
        ("3E", 0x13, "IncorrectMessageLengthOrInvalidFormat"),
        ("2701", 0x11, "ServiceNotSupported"),
        ("0100", 0x11, "ServiceNotSupported"),
    ],
)
def test_refusals(bench: Bench, request_: str, code: int, name: str) -> None:
    assert bench.ask(request_) == [f"7F{request_[:2]}{code:02X}"]
    assert udsoncan.Response.Code.get_name(code) == name


@pytest.mark.parametrize("request_", ["3E80", "1083", "1982FF"])
def test_suppressed_positive_answers(bench: Bench, request_: str) -> None:
    assert bench.ask(request_) == []


def test_requests_to_all_are_for_legislated_units(bench: Bench) -> None:
    assert bench.ask("3E00", None) == ["7E00", "7E00"]
    assert bench.ask("1902FF", None) != []
    assert bench.ask("22F190", None) == []


def test_part_of_what_a_module_knows_needs_the_extended_session(bench: Bench) -> None:
    assert bench.ask("1902AF", BODY) == ["59027B" + "C1218728" + "9A2C112B"]
    # ISO 14229-1 (from memory): 7E for a sub-function, 31 for an identifier.
    assert bench.ask("19069A2C11FF", BODY) == ["7F197E"]
    assert bench.ask("19049A2C11FF", BODY) == ["7F197E"]
    assert bench.ask("22F197", BODY) == ["7F2231"]
    assert bench.ask("22F187F189", BODY) == ["62F187" + b"SIM18-BDY-1180".hex().upper()]
    bench.ask("1003", BODY)
    assert bench.ask("19069A2C11FF", BODY) == ["59069A2C112B" + "0107"]
    assert bench.ask("19049A2C11FF", BODY) == ["59049A2C112B" + "0101F4422F8C"]
    assert bench.ask("22F197", BODY) == ["62F19742434D0001"]
    bench.ask("1001", BODY)
    assert bench.ask("19069A2C11FF", BODY) == ["7F197E"]


def test_a_silent_tester_loses_its_session() -> None:
    bench = Bench("awkward-modules")
    bench.ask("1003", GUARDED)
    for _ in range(3):
        # ISO 14229-2 (from memory): a session ends after five seconds without a request.
        bench.wait(4.0)
        assert bench.ask("3E80", GUARDED) == []
    assert bench.ask("1902AF", GUARDED)[0].startswith("5902")
    bench.wait(5.2)
    assert bench.ask("1902AF", GUARDED) == ["7F197F"]
    bench.ask("1003", GUARDED)
    bench.car.after_key_cycle()
    assert bench.ask("1902AF", GUARDED) == ["7F197F"]


def test_the_brake_lamp_outlives_the_erase_until_the_key_was_off(bench: Bench) -> None:
    assert bench.ask("14FFFFFF") == ["54"]
    # Neither tested nor failed; the one lamp bit is still set.
    assert bench.ask("1902FF") == ["5902FF" + "403413D0" + "C4018150" + "40406450" + "C1008750"]
    assert bench.ask("1902AF") == ["5902FF" + "403413D0"]
    assert bench.ask("1906403413FF") == ["5906403413D0"]
    bench.wait(20.0)
    assert bench.ask("1902AF") == ["5902FF" + "403413D0"]
    bench.key_cycle()
    assert bench.ask("1902FF") == ["5902FF"]


def test_one_code_may_be_erased_alone(bench: Bench) -> None:
    assert bench.ask("14C40181") == ["54"]
    assert bench.ask("1902AF") == ["5902FF" + "403413A8"]


def test_no_erase_while_the_engine_runs(bench: Bench) -> None:
    bench.car.drive("idle")
    bench.wait(5.0)
    assert bench.ask("14FFFFFF") == ["7F1422"]
    assert bench.ask("14FF00", INSTRUMENTS) == ["7F1422"]
    assert bench.ask("1902AF")[0].endswith("403413A8C4018128")


def test_a_fault_that_is_there_comes_back(bench: Bench) -> None:
    bench.ask("14FFFFFF", BODY)
    assert bench.ask("1902AF", BODY) == ["59027B"]
    bench.wait(3.5)
    assert bench.ask("1902AF", BODY) == ["59027B" + "9A2C112B"]


def test_a_lamp_that_needs_a_drive() -> None:
    bench = Bench("diesel-29bit")
    brakes = 0x18DA28F1
    assert bench.ask("1902AF", brakes) == ["5902FF" + "403429AF"]
    bench.ask("14FFFFFF", brakes)
    bench.key_cycle()
    assert bench.ask("1902AF", brakes) == ["5902FF" + "403429D0"]
    bench.car.drive("road-test")
    bench.wait(120.0)
    # Driven: the lamp of the erased code is out, and its test found the fault again.
    assert bench.ask("1902AF", brakes) == ["5902FF" + "403429AF"]


@pytest.mark.parametrize(
    ("request_", "reply"),
    [
        ("1800FF00", "5801" + "C121A4"),
        ("18024000", "5800"),
        ("1800C000", "5801" + "C121A4"),
        ("1801FF00", "5802" + "C121A4" + "900100"),
        ("1803FF00", "5802" + "C121A4" + "900100"),
        ("1800C121", "5801" + "C121A4"),
        ("18001234", "7F1831"),
        ("1807FF00", "7F1812"),
        ("1800", "7F1812"),
        ("17C121", "5701" + "C121A4"),
        ("17FF00", "5701" + "C121A4"),
        ("13FF00", "5301" + "C121"),
        ("1A91", "5A91" + b"SIM18-INS-HW05".hex().upper()),
        ("1A9F", "7F1A31"),
        ("3E", "7E"),
        ("3E01", "7E"),
        ("3E00", "7F3E12"),
        ("1081", "5081"),
        ("1089", "5089"),
        ("1085", "7F1012"),
        ("1902FF", "7F1911"),
        ("22F190", "7F2211"),
        ("141234", "7F1431"),
    ],
)
def test_the_older_language(bench: Bench, request_: str, reply: str) -> None:
    assert bench.ask(request_, INSTRUMENTS) == [reply]


def test_the_older_language_keeps_silent_when_told(bench: Bench) -> None:
    assert bench.ask("3E02", INSTRUMENTS) == []


def test_the_older_language_erases(bench: Bench) -> None:
    assert bench.ask("14FF00", INSTRUMENTS) == ["54FF00"]
    assert bench.ask("1800FF00", INSTRUMENTS) == ["5800"]
    assert bench.ask("17C121", INSTRUMENTS) == ["5701" + "C12110"]
    bench.key_cycle()
    assert bench.ask("17C121", INSTRUMENTS) == ["5701" + "C12100"]


def test_a_fault_that_is_there_comes_back_in_the_older_language() -> None:
    bench = Bench("awkward-modules")
    assert bench.ask("1800FF00", 0x7C6) == ["5802" + "A010E1" + "150028"]
    bench.ask("14FF00", 0x7C6)
    assert bench.ask("1800FF00", 0x7C6) == ["5800"]
    bench.wait(1.5)
    assert bench.ask("1800FF00", 0x7C6) == ["5801" + "A010E1"]


def test_legislated_units_agree_with_their_own_codes(bench: Bench) -> None:
    # Confirmed, pending and lamp bits (08, 04, 80) of ISO 14229-1 beside services 03 and 07.
    assert bench.ask("190208", 0x7E0) == ["5902AD010216A8011315A8C12187A8044200A8"]
    assert bench.ask("190204", 0x7E0) == ["5902AD01710004"]
    assert bench.ask("03", 0x7E0) == ["4304" + "0102" + "0113" + "C121" + "0442"]
    assert bench.ask("14FFFFFF", 0x7E0) == ["54"]
    assert bench.ask("03", 0x7E0) == ["4300"]
    assert bench.ask("1902AD", 0x7E0) == ["5902AD"]
    assert bench.ask("1902AF", 0x7E1) == ["5902AD"]
    assert Bench("healthy-petrol").ask("1902AF", 0x7E0) == ["7F1911"]


HARD_CASES = [
    ("refuses everything", 0x701, "3E00", ["7F3E11"]),
    ("refuses everything", 0x701, "1001", ["7F1011"]),
    ("delays", 0x716, "1902AF", ["7F1978"] * 24 + ["5902FF92341528"]),
    ("two addresses", 0x740, "1902AF", ["5902FF95001328", "5902FF95011328"]),
    ("one address", 0x750, "3E00", ["7E00", "7E00"]),
    ("no tester present", 0x770, "3E00", []),
    ("no tester present", 0x770, "1001", ["5001003201F4"]),
    ("no erase", 0x7A0, "14FFFFFF", ["7F147F"]),
    ("no erase", 0x7A0, "1003", ["7F1012"]),
]


@pytest.mark.parametrize(("what", "target", "request_", "replies"), HARD_CASES)
def test_hard_cases(what: str, target: int, request_: str, replies: list[str]) -> None:
    assert Bench("awkward-modules").ask(request_, target) == replies, what


def test_busy_at_first() -> None:
    bench = Bench("awkward-modules")
    assert bench.ask("1902AF", 0x724) == ["7F1921"]
    assert bench.ask("1902AF", 0x724) == ["7F1921"]
    assert bench.ask("1902AF", 0x724) == ["5902FF9040112F"]


def test_a_reply_beyond_a_kilobyte() -> None:
    (reply,) = Bench("awkward-modules").ask("1902AF", 0x760)
    assert len(reply) // 2 == 3 + 4 * 280


def test_silence_after_an_erase() -> None:
    bench = Bench("awkward-modules")
    assert bench.ask("14FFFFFF", 0x732) == ["54"]
    assert bench.ask("1902AF", 0x732) == []
    bench.wait(4.5)
    assert bench.ask("1902AF", 0x732) == ["5902FF405154D0"]


def test_identifiers_of_both_widths_on_one_bus() -> None:
    bench = Bench("awkward-modules")
    assert bench.ask("3E00", 0x18DA60F1, 29) == ["7E00"]
    assert bench.ask("3E00", 0x18DA60F1, 11) == []
    assert bench.ask("0100", None, 29) == []
    assert len(bench.ask("0100", None, 11)) == 1


def test_nobody_answers_with_the_key_off(bench: Bench) -> None:
    bench.car.key("off")
    assert bench.ask("3E00") == bench.ask("3E00", INSTRUMENTS) == []


@pytest.mark.parametrize("name", all_scenarios())
def test_modules_are_plainly_invented(name: str) -> None:
    profile = load_profile(name)
    for module in profile.module:
        for key, text in module.identification.items():
            wanted = profile.vin if key in ("F190", "90") else text
            assert text == wanted
            assert text.startswith(("SIM", "XX0", "hex:")) or len(text) <= 4


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (('request = "7B0"', 'request = "9B0"'), "9B0"),
        (('response = "7B8"', 'response = "18DAF128"'), "width"),
        (('code = "C0034"', 'code = "X0034"'), "X0034"),
        (("failure_type = 0x13", "failure_type = 0x113"), "byte"),
        (('F187 = "SIM18-BRK-4410"', '187 = "SIM"'), "digits"),
        (('lamp = "key-cycle"', 'lamp = "never"'), "never"),
        (('"01" = "03"', '"01" = "zz"'), "fromhex"),
        (('system = "brakes"', "many_codes = 5000"), "one message"),
    ],
)
def test_a_wrong_module_says_what_is_wrong(change: tuple[str, str], complaint: str) -> None:
    text = read_profile_text("airbox-repair.toml")
    assert change[0] in text
    with pytest.raises(TableError, match=complaint):
        parse_profile(text.replace(*change), name="changed")


def test_older_buses_have_no_modules() -> None:
    text = read_profile_text("legacy-vpw.toml")
    module = '[[module]]\nrequest = "7B0"\nresponse = "7B8"\nname = "brakes"\n'
    with pytest.raises(TableError, match="CAN"):
        parse_profile(f"{text}\n{module}", name="changed")
    with pytest.raises(TableError, match="CAN"):
        parse_profile(f'generation = "on-uds"\n{text}', name="changed")
