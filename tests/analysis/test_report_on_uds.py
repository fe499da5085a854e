"""The case of a car after SAE J1979-2 becomes the same report material as that of a classic one.

Payloads by hand from public descriptions of SAE J1979-2: 59 42 33 = codes of the emission-related
group, two masks, format 04, then severity, code of three bytes and status; 59 55 33 = permanent
codes; 54 = erased; 62 F4xx = current data with the PID's own bytes.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from analysis.report import build_report
from analysis.report.load import load_case
from analysis.report.scan import scan
from obdlog.case_history import read_case_record
from obdlog.history import (
    History,
    history_of,
    lists_permanent_codes,
    lists_stored_codes,
)
from obdlog.model import EcuMessage, Exchange, Request
from tests.analysis.test_report_load import ask, codes_of, write

NOW = datetime(2030, 3, 1, 18, tzinfo=UTC)
VIN = "1TEST0D070T000016"

# P0102 with failure type 16, status AF: confirmed, pending, failing, lamp requested.
MAF_LOW, NONE = "594233FF1E0402010216AF", "594233FF1E04"
LAMP_ON, LAMP_OFF = "62F40181076100", "62F40100076100"


def reading(at=0.0, codes=MAF_LOW, lamp=LAMP_ON):
    return (
        ask(at, "22F401", lamp, purpose="codes"),
        ask(at + 0.1, "1942330C1E", codes, purpose="codes"),
        ask(at + 0.2, "195533", "595533FF04", purpose="codes"),
        ask(at + 0.3, "22F802", "62F802" + VIN.encode().hex().upper(), purpose="identify"),
    )


def drive(seconds=700):
    for at in range(seconds):
        kmh = "00" if at < 60 else "3C"
        reply = f"62F40C1770F40D{kmh}F41004B0"
        yield ask(float(at), "22F40CF40DF410", reply, purpose="poll")


@pytest.fixture
def case(tmp_path):
    work = {"unplugged": ["airflow meter plug"]}
    write(tmp_path, "01-codes", "2030-03-01T09:00:00Z", *reading(), work=work)
    write(
        tmp_path,
        "02-clear",
        "2030-03-01T09:10:00Z",
        *reading(),
        ask(5.0, "14FFFF33", "54", purpose="erase"),
        *reading(6.0, NONE, LAMP_OFF),
    )
    write(tmp_path, "03-road-test", "2030-03-01T09:20:00Z", *drive())
    write(tmp_path, "04-codes", "2030-03-01T10:00:00Z", *reading(0.0, NONE, LAMP_OFF))
    return tmp_path


def test_the_erase_parts_before_from_after(case):
    material = load_case(case, generated_at=NOW)
    assert material.erased_at == ("2030-03-01T09:10:05Z",)
    assert (codes_of(material.before), codes_of(material.after)) == (["P0102"], [])
    assert material.before.codes["modules"][0]["lamp"] is True
    assert material.after.codes["modules"][0]["lamp"] is False
    assert material.vehicle["vin"] == VIN
    assert material.after.data.path.name == "03-road-test.session.jsonl"
    assert {"RPM", "VSS", "MAF"} <= set(material.after.data.readings["signal"])
    assert material.comparison.to_json()["gone"][0]["code"] == "P0102"
    assert material.after.permanent_read == {"7E8"}


def test_the_files_say_what_they_hold(case):
    held = {f.name[:2]: f.holds for f in load_case(case, generated_at=NOW).files}
    assert held == {
        "01": "readiness, codes, vehicle identity",
        "02": "readiness, codes, erase, vehicle identity",
        "03": "drive",
        "04": "readiness, codes, vehicle identity",
    }
    assert "P0102" in build_report(load_case(case, generated_at=NOW))


def test_a_drive_of_another_program_is_told_by_what_it_asks(tmp_path):
    records = [{**record, "purpose": ""} for record in drive(30)]
    path = write(tmp_path, "01-drive", "2030-03-01T09:00:00Z", *records)
    found = scan(path, [])
    assert found.polled == 30
    # The last of every question is kept, in the words of SAE J1979.
    assert [e.request.payload.hex() for e in found.exchanges] == ["010c0d10"]


def test_two_lists_that_differ_only_in_a_code_are_two(tmp_path):
    other = "594233FF1E04020171162F"
    path = write(tmp_path, "01-codes", "2030-03-01T09:00:00Z", *reading(), *reading(5.0, other))
    lists = [e for e in scan(path, []).exchanges if e.request.payload[:2] == b"\x19\x42"]
    assert len(lists) == 2


def test_the_history_of_a_case(case):
    record = read_case_record(case, pytest.fail)
    assert record.history == History(frozenset({"P0102"}), cleared=True)
    assert record.vins == (VIN,)


def exchange(request: str, *replies: str) -> Exchange:
    messages = tuple(EcuMessage("7E8", bytes.fromhex(reply)) for reply in replies)
    return Exchange(0.0, Request(bytes.fromhex(request)), messages)


@pytest.mark.parametrize(
    ("request_", "reply", "stored", "permanent"),
    [
        ("03", "4300", True, False),
        ("0A", "4A00", False, True),
        ("07", "4700", False, False),
        ("1942330C1E", NONE, True, False),
        ("194233081E", NONE, True, False),
        ("194233041E", NONE, False, False),  # pending codes only
        ("194233", NONE, False, False),
        ("195533", "595533FF04", False, True),
        ("1942330C1E", "7F1911", False, False),
        ("03", "7F0311", False, False),
        ("1902AF", "5902FF", False, False),
    ],
)
def test_which_lists_are_those_of_stored_and_permanent_codes(request_, reply, stored, permanent):
    asked = exchange(request_, reply)
    assert (lists_stored_codes(asked), lists_permanent_codes(asked)) == (stored, permanent)


def test_a_code_that_a_module_could_set_and_never_did_is_no_history():
    untested = exchange("190A", "590AFF" + "40350050" + "40360024")
    assert history_of([untested]).before == {"C0036"}
