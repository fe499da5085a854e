"""Worked replies of every SAE J1979 service, typed by hand.

Source beside each case. The standard itself is sold; its layouts are from memory of SAE J1979 /
ISO 15031-5 and from public texts that quote it.
"""

from __future__ import annotations

from typing import Any

import pytest

from obdlog.services.decode import decode_line


def decode(reply: str, **more: Any) -> dict[str, Any]:
    result = decode_line({"reply": reply, **more})
    assert result["error"] is None
    return result


@pytest.mark.parametrize(
    ("reply", "expected"),
    [  # SAE J1979, service 01 scales
        ("41057B", {"ECT": 83}),  # 0x7B = 123, 123 − 40
        ("410C1AF8", {"RPM": 1726}),  # 6904 / 4
        ("410D32", {"VSS": 50}),
        ("410F46", {"IAT": 30}),  # 70 − 40
        ("41100FA0", {"MAF": 40}),  # 4000 / 100
        ("410E80", {"SPARKADV": 0}),  # 128 / 2 − 64
        ("412F80", {"FLI": pytest.approx(50.196, abs=1e-3)}),  # 128 × 100 / 255
        ("41423764", {"VPWR": 14.18}),  # 14180 / 1000
    ],
)
def test_current_data(reply: str, expected: dict[str, Any]) -> None:
    found = {r["signal"]: r["value"] for r in decode(reply)["readings"]}
    assert found == expected


def test_several_pids_in_one_reply() -> None:
    """ISO 15765-4 / SAE J1979: up to six PIDs a request on CAN, data in any order."""
    found = decode("41057B0C1AF80D320F46", request="01050C0D0F")["readings"]
    assert [(r["pid"], r["value"]) for r in found] == [
        ("05", 83), ("0C", 1726), ("0D", 50), ("0F", 30),
    ]  # fmt: skip


def test_freeze_frame() -> None:
    """SAE J1979, service 02: PID, frame number, data; PID 02 names the code."""
    assert decode("420500" + "5A")["readings"][0]["value"] == 50
    assert decode("4202000301")["codes"][0]["code"] == "P0301"


@pytest.mark.parametrize(
    ("service", "status"), [("43", "confirmed"), ("47", "pending"), ("4A", "permanent")]
)
def test_codes_on_can_and_elsewhere(service: str, status: str) -> None:
    """SAE J1979, services 03, 07, 0A: a count byte on CAN only, three codes a message elsewhere."""
    on_can = decode(service + "02" + "0143" + "C121")["codes"]
    elsewhere = decode(service + "0143" + "C121" + "0000", bus="legacy")["codes"]
    for found in (on_can, elsewhere):
        assert [(c["code"], c["status"]) for c in found] == [("P0143", status), ("U0121", status)]


def test_clear() -> None:
    """SAE J1979, service 04: a positive reply is 44 alone."""
    assert decode("44", request="04")["info"] == {"cleared": True}


def test_oxygen_sensor_test() -> None:
    """SAE J1979, service 05: test 01 is a voltage of 0.005 V a step; 0x5A = 90 is 0.45 V."""
    (test,) = decode("4501015A", bus="legacy")["tests"]
    assert (test["test_id"], test["value"], test["unit"]) == ("01", 0.45, "V")


def test_onboard_test_on_can() -> None:
    """SAE J1979, service 06: MID, TID, UASID, value, lowest, highest; UASID 0A is 0.122 mV."""
    (test,) = decode("4601010A0E720BB80FFF")["tests"]
    assert (test["monitor_id"], test["test_id"], test["scaling_id"]) == ("01", "01", "0A")
    assert test["value"] == pytest.approx(0x0E72 * 0.122)
    assert (test["unit"], test["result"]) == ("mV", "pass")


def test_misfire_counts() -> None:
    """SAE J1979: monitor A2 is cylinder 1, test 0C this cycle's count, UASID 24 counts."""
    (test,) = decode("46A20C2400030000FFFF")["tests"]
    assert (test["value"], test["unit"], test["result"]) == (3, "counts", "pass")


def test_the_finest_scale_keeps_its_digits() -> None:
    """UASID 05: 0.0000305 stands for 2 / 65536 (SAE J1979 prints it rounded)."""
    (test,) = decode("460101058000" + "0000" + "FFFF")["tests"]
    assert test["value"] == 1.0


def test_vehicle_information() -> None:
    """SAE J1979, service 09: VIN with item count; legacy merged with NULs in front."""
    vin = "11111111111111111"
    assert decode("490201" + vin.encode().hex())["info"]["vin"] == vin
    legacy = decode("490201000000" + vin.encode().hex(), bus="legacy")["info"]
    assert (legacy["vin"], legacy["vin_check"]) == (vin, "valid")
    assert decode("490601" + "00A1B2C3")["info"]["cvns"] == ["00A1B2C3"]
    name = b"ECM\0-EngineControl\0\0"
    assert decode("490A01" + name.hex())["info"]["ecu_name"] == "ECM-EngineControl"
    calibration = b"CAL0001".ljust(16, b"\0")
    assert decode("490401" + calibration.hex())["info"]["calibrations"] == ["CAL0001"]


def test_in_use_counters() -> None:
    """SAE J1979, info type 08: conditions, ignition cycles, then completions and conditions."""
    counts = [1200, 3000, 300, 400]
    reply = "490804" + "".join(f"{n:04X}" for n in counts)
    info = decode(reply)["info"]
    assert info["counters"]["IGNCNTR"] == 3000
    assert info["ratios"] == {"CAT1": 0.75}


@pytest.mark.parametrize(
    ("reply", "service", "code"), [("7F0112", "01", "12"), ("7F0422", "04", "22")]
)
def test_refusals(reply: str, service: str, code: str) -> None:
    """ISO 14229-1: 7F, refused service, code."""
    refusal = decode(reply)["refusal"]
    assert (refusal["service"], refusal["code"]) == (service, code)
    assert refusal["meaning"]


SPARK_TEXT = (
    "OBDCOND IGNCNTR CATCOMP1 CATCOND1 CATCOMP2 CATCOND2 O2SCOMP1 O2SCOND1 O2SCOMP2 O2SCOND2 "
    "EGRCOMP EGRCOND AIRCOMP AIRCOND EVAPCOMP EVAPCOND SO2SCOMP1 SO2SCOND1 SO2SCOMP2 SO2SCOND2 "
    "AFRICOMP1 AFRICOND1 AFRICOMP2 AFRICOND2 PFCOMP1 PFCOND1 PFCOMP2 PFCOND2"
)
COMPRESSION_TEXT = (
    "OBDCOND IGNCNTR HCCATCOMP HCCATCOND NCATCOMP NCATCOND NADSCOMP NADSCOND PMCOMP PMCOND "
    "EGSCOMP EGSCOND EGRCOMP EGRCOND BPCOMP BPCOND FUELCOMP FUELCOND"
)
SPARK, COMPRESSION = SPARK_TEXT.split(), COMPRESSION_TEXT.split()


@pytest.mark.parametrize(
    ("info_type", "names", "counted"),
    [("08", SPARK, (16, 20, 28)), ("0B", COMPRESSION, (16, 18))],
)
def test_counters_by_name(info_type: str, names: list[str], counted: tuple[int, ...]) -> None:
    """Test source of SAE J1699-3: names in order; 16, 20 or 28 and 16 or 18 counters."""
    assert len(names) == max(counted)
    for count in counted:
        data = "".join(f"{n + 1:04X}" for n in range(count))
        counters = decode(f"49{info_type}{count:02X}{data}")["info"]["counters"]
        assert counters == {name: n + 1 for n, name in enumerate(names[:count])}


def test_counters_of_an_older_bus() -> None:
    """Test source of SAE J1699-3: eight messages of four bytes are sixteen counters."""
    data = "".join(f"{n + 1:04X}" for n in range(16))
    info = decode("490801" + data, bus="legacy")["info"]
    assert info["counters"] == {name: n + 1 for n, name in enumerate(SPARK[:16])}
    assert info["ratios"]["EVAP"] == pytest.approx(15 / 16)


@pytest.mark.parametrize(
    ("reply", "key", "value"),
    [  # regression tests of Scapy 2.8.0, obd.uts, as far as they hold no real vehicle's number
        ("490401" + b"ABCDEFGHIJKLMNOP".hex(), "calibrations", ["ABCDEFGHIJKLMNOP"]),
        ("490402" + b"ABCDEFGHIJKLMNOP".hex() * 2, "calibrations", ["ABCDEFGHIJKLMNOP"] * 2),
        ("490602" + b"ABCDEFGH".hex(), "cvns", [b"ABCD".hex().upper(), b"EFGH".hex().upper()]),
        ("490A01" + b"ECM\0-Engine Control\0".hex(), "ecu_name", "ECM-Engine Control"),
        (
            "4908040001000200030004",
            "counters",
            {"OBDCOND": 1, "IGNCNTR": 2, "CATCOMP1": 3, "CATCOND1": 4},
        ),
        (
            "490B050001000200030004FFFF",
            "counters",
            {"OBDCOND": 1, "IGNCNTR": 2, "HCCATCOMP": 3, "HCCATCOND": 4, "NCATCOMP": 65535},
        ),
    ],
)
def test_information_as_another_library_reads_it(reply: str, key: str, value: object) -> None:
    assert decode(reply)["info"][key] == value


@pytest.mark.parametrize(
    ("test_id", "raw", "value", "unit"),
    [  # Scapy 2.8.0, tids.py: 0.005 V, 0.004 s, 0.04 s a step
        ("01", "5A", 0.45, "V"), ("02", "64", 0.5, "V"), ("03", "28", 0.2, "V"),
        ("04", "A0", 0.8, "V"), ("05", "19", 0.1, "s"), ("06", "FA", 1.0, "s"),
        ("07", "12", 0.09, "V"), ("08", "A2", 0.81, "V"), ("09", "32", 2.0, "s"),
        ("0A", "4B", 3.0, "s"),
    ],
)  # fmt: skip
def test_oxygen_sensor_scales(test_id: str, raw: str, value: float, unit: str) -> None:
    (test,) = decode(f"45{test_id}01{raw}00FF", bus="legacy")["tests"]
    assert (test["value"], test["unit"]) == (value, unit)


@pytest.mark.parametrize(
    ("reply", "number"),
    [("49120101F4", 500), ("4914010000", 0), ("491401FFFF", None)],
)
def test_later_information_types(reply: str, number: int | None) -> None:
    """Test source of SAE J1699-3: two bytes, most significant first; FFFF of 14 is no value."""
    assert decode(reply)["info"]["number"] == number


def test_the_regulation_s_number() -> None:
    """Info type 11 has eleven characters; "GTR_005.000" (public code; UN GTR No. 5)."""
    assert decode("491101" + b"GTR_005.000".hex())["info"]["text"] == "GTR_005.000"
