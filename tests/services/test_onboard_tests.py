"""Results of service 06."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.model import Bus
from obdlog.services.onboard_tests import parse_supported_monitors, parse_tests


def test_several_records_each_repeat_their_monitor() -> None:
    first, second = parse_tests(bytes.fromhex("46A20B2400010000FFFFA20C24000000000005"))
    assert (first.monitor_id, first.test_id, first.scaling_id) == ("A2", "0B", "24")
    assert (first.value, first.low, first.high, first.result) == (1, 0, 65535, "pass")
    assert (second.test_id, second.value, second.high, second.result) == ("0C", 0, 5, "pass")


@pytest.mark.parametrize(
    ("value", "result"), [("0009", "fail"), ("000A", "pass"), ("0014", "pass"), ("0015", "fail")]
)
def test_limits_are_inclusive(value: str, result: str) -> None:
    (test,) = parse_tests(bytes.fromhex("46018024" + value + "000A0014"))
    assert test.result == result


def test_a_record_of_zeros_has_not_run() -> None:
    (test,) = parse_tests(bytes.fromhex("46018224000000000000"))
    assert (test.result, test.value, test.low, test.high) == ("not-run", None, None, None)


def test_signed_scalings_compare_signed_limits() -> None:
    """Ids from 80 on are two's complement, limits included (SAE J1979)."""
    (test,) = parse_tests(bytes.fromhex("463D8090FFFFFFF60000"))
    assert test.low is not None
    assert test.value is not None
    assert test.low < test.value < 0 == test.high
    assert test.result == "pass"


@pytest.mark.parametrize(("scaling", "value"), [("7F", 65535), ("FF", -1)])
def test_an_unknown_scaling_leaves_raw_numbers(scaling: str, value: int) -> None:
    (test,) = parse_tests(bytes.fromhex(f"460180{scaling}FFFF8000FFFF"))
    assert (test.value, test.unit, test.scaling) == (value, "", "unknown")


def test_known_scalings_and_those_of_older_buses() -> None:
    (can,) = parse_tests(bytes.fromhex("460180240001" + "00000002"))
    assert can.scaling == "standard"
    (legacy,) = parse_tests(bytes.fromhex("46010A00640064"), Bus.LEGACY)
    assert legacy.scaling == "unknown"


def test_monitors_are_named_by_bitmaps() -> None:
    assert parse_tests(bytes.fromhex("4600C0000001")) == ()
    assert parse_supported_monitors(bytes.fromhex("4600C0000001")) == (0x01, 0x02, 0x20)
    both = parse_supported_monitors(bytes.fromhex("460080000001" + "2080000000"))
    assert both == (0x01, 0x20, 0x21)
    legacy = parse_supported_monitors(bytes.fromhex("4600FF80000000"), Bus.LEGACY)
    assert legacy == (0x01,)


@pytest.mark.parametrize(
    ("reply", "low", "high", "result"),
    [  # bit 7 of the component byte: set means the limit is a lowest value (SAE J1979)
        ("46010A00640064", None, 100, "pass"), ("46010A00650064", None, 100, "fail"),
        ("46018A00640064", 100, None, "pass"), ("46018A00630064", 100, None, "fail"),
        ("46010A00000000", None, None, "not-run"),
    ],
)  # fmt: skip
def test_older_buses_have_one_limit(
    reply: str, low: float | None, high: float | None, result: str
) -> None:
    (test,) = parse_tests(bytes.fromhex(reply), Bus.LEGACY)
    assert (test.low, test.high, test.result) == (low, high, result)
    assert (test.monitor_id, test.scaling_id, test.component) == (None, None, "0A")


@pytest.mark.parametrize("reply", ["", "46", "4601", "46018024000100", "4101"])
def test_part_of_a_record_is_refused(reply: str) -> None:
    with pytest.raises(DecodeError):
        parse_tests(bytes.fromhex(reply))


@given(st.binary(max_size=40), st.sampled_from(Bus))
def test_random_bytes_raise_only_decode_errors(body: bytes, bus: Bus) -> None:
    for parse in (parse_tests, parse_supported_monitors):
        try:
            parsed = parse(b"\x46" + body, bus)
        except DecodeError:
            continue
        assert isinstance(parsed, tuple)


@pytest.mark.parametrize(
    ("record", "monitor", "test"),
    [
        ("0101", "oxygen sensor, bank 1 sensor 1", "rich to lean threshold voltage"),
        ("100A", "oxygen sensor, bank 4 sensor 4", "period"),
        ("1205", "oxygen sensor, bank 2 sensor 5", "rich to lean switch time"),
        ("2180", "catalyst, bank 1", "the maker's own test"),
        ("2101", "catalyst, bank 1", None),  # a test of oxygen sensors, of a catalyst
        ("3480", "exhaust gas recirculation, bank 4", "the maker's own test"),
        ("3880", "valve timing, bank 4", "the maker's own test"),
        ("3D80", "evaporative system, purge flow", "the maker's own test"),
        ("5080", "oxygen sensor heater, bank 4 sensor 4", "the maker's own test"),
        ("A10B", "misfire, all cylinders", "misfires, mean of the last ten drives"),
        ("AD0C", "misfire, cylinder 12", "misfires of this or the last drive"),
        ("AD0D", "misfire, cylinder 12", None),
        ("1380", None, "the maker's own test"),  # reserved
        ("B480", None, "the maker's own test"),  # reserved
        ("DF80", None, "the maker's own test"),  # reserved
        ("01FF", "oxygen sensor, bank 1 sensor 1", None),  # reserved
        ("B280", "particulate filter, bank 1 (newer edition)", "the maker's own test"),
        ("E280", "the maker's own monitor", "the maker's own test"),
    ],
)
def test_monitors_and_tests_have_the_names_of_the_standard(
    record: str, monitor: str | None, test: str | None
) -> None:
    # SAE J1979, service 06 on CAN; the sources of each name stand in the table.
    (found,) = parse_tests(bytes.fromhex(f"46{record}24000100000002"))
    assert (found.monitor, found.test) == (monitor, test)


def test_edition_dependent_monitors_say_both() -> None:
    # Particulate filters in an older edition, misfire of cylinders 15 and 16 in the newer one.
    for monitor_id, cylinder in (("B0", "15"), ("B1", "16")):
        (found,) = parse_tests(bytes.fromhex(f"46{monitor_id}8024000100000002"))
        assert found.monitor is not None
        assert "particulate filter" in found.monitor
        assert f"cylinder {cylinder}" in found.monitor


def test_older_buses_have_no_such_names() -> None:
    (found,) = parse_tests(bytes.fromhex("46010100260100"), Bus.LEGACY)
    assert (found.monitor, found.test) == (None, None)


@given(st.integers(0, 255), st.integers(0, 255))
def test_no_identifier_is_a_surprise(monitor_id: int, test_id: int) -> None:
    record = bytes([0x46, monitor_id, test_id, 0x24, 0, 1, 0, 0, 0, 2])
    for found in parse_tests(record):
        assert found.monitor is None or found.monitor
        assert found.test is None or found.test
