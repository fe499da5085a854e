"""Modules beyond the legislated ones in comparison and report.

Payloads by hand from ISO 14229-1: 59 02 = codes by mask (availability, then three bytes and status
a code), 59 0A = every code that the module can set, 54 = erased, 62 F187 = part number. Status D0 =
not tested since clearing (10) nor this cycle (40), lamp requested (80); A8 = confirmed, failed
since clearing, lamp requested; 50 = not tested; 40 = tested since clearing, not this cycle, never
failed.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from analysis.report import build_report
from analysis.report.load import compare_paths, load_case
from tests.analysis.test_report_load import LAMP_OFF, LAMP_ON, NONE, ask, drive, reading, write

NOW = datetime(2030, 3, 1, 18, tzinfo=UTC)
WHEEL, BELT = "403413", "805013"  # C0034-13, B0050-13
STORED, WAITS, UNTESTED, PASSED = "A8", "D0", "50", "40"
BRAKES = ("7B0", "7B8")
MAP = """
[[module]]
name = "brake control"
request = "7B0"
response = "7B8"
system = "brakes"

[[module]]
name = "roof <b>control</b>"
request = "7C0"
response = "7C8"
"""


def alone(at, request, *replies, purpose="codes", to=BRAKES):
    record = ask(at, request, *replies, purpose=purpose, source=to[1])
    return {**record, "to": to[0]}


def listed(at, status, code=WHEEL, to=BRAKES, available="FF"):
    """A module asked for its codes and for every code that it can set."""
    stored = "" if status in (UNTESTED, PASSED) else code + status
    return (
        alone(at, "1902AF", f"5902{available}{stored}", to=to),
        alone(at + 0.1, "190A", f"590A{available}{code}{status}", to=to),
    )


def erased(at, to=BRAKES):
    return alone(at, "14FFFFFF", "54", purpose="erase", to=to)


def case(folder, *later, mapped=True, before=(), first=STORED, wiped=True):
    """A brake module read, erased (or not) and read back; then `later` sessions."""
    if mapped:
        (folder / "modules.toml").write_text(MAP, encoding="utf-8")
    erase = (erased(2.0), *listed(3.0, WAITS)) if wiped else ()
    write(
        folder, "01-clear", "2030-03-01T09:00:00Z", *reading(), *before, *listed(1.0, first),
        *erase, ask(4.0, "04", "44", purpose="erase"), *reading(5.0, NONE, LAMP_OFF),
        *listed(6.0, WAITS if wiped else first),
    )  # fmt: skip
    for number, (name, *records) in enumerate(later, start=2):
        write(folder, f"{number:02d}-{name}", f"2030-03-01T1{number}:00:00Z", *records)
    return load_case(folder, generated_at=NOW)


def item(material, code):
    (found,) = [i for i in material.comparison.repair if i.key and i.key[1] == code]
    return found


def requirement(material, code, words):
    return next(r for r in item(material, code).requirements if words in r.text)


class TestLampsThatWait:
    def test_a_code_listed_only_for_its_lamp_is_neither_there_nor_proven_gone(self, tmp_path):
        material = case(tmp_path)
        result = material.comparison.to_json()
        assert [c["code"] for c in result["lamp_waits"]] == ["C0034"]
        assert "C0034" not in [c["code"] for c in result["remaining"] + result["gone"]]
        assert item(material, "C0034").verdict == "not-proven"
        point = requirement(material, "C0034", "neither stored nor pending")
        assert point.met is None
        assert "the lamp waits for a key cycle or a drive; its test has not run" in point.evidence
        html = build_report(material)
        assert "not stored; its lamp waits for a key cycle or a drive" in html
        assert "Erased, with a lamp that waits for a key cycle or a drive: C0034." in html
        assert "No codes now in: engine control." in html

    def test_one_is_not_judged_as_having_come_back(self, tmp_path):
        (brakes,) = [m for m in case(tmp_path).after.codes["modules"] if m["address"] == "7B8"]
        assert [c["code"] for c in brakes["codes"]] == ["C0034"]
        assert "came back" not in brakes["codes"][0]["because"]

    def test_one_that_failed_again_contradicts(self, tmp_path):
        again = ("codes", *reading(0.0, NONE, LAMP_OFF), *listed(1.0, "AB"))
        assert item(case(tmp_path, again), "C0034").verdict == "contradicted"

    def test_one_that_was_never_erased_does_not_contradict(self, tmp_path):
        # Service 04 reached the legislated modules; this one was not erased.
        material = case(tmp_path, wiped=False)
        assert material.erased_modules == {"7E8"}
        assert item(material, "C0034").verdict == "not-proven"
        said = requirement(material, "C0034", "neither stored").evidence
        assert "no erase of brake control (7B8) is on record" in said
        assert "Not erased: what is stored in brake control." in build_report(material)


class TestOwnTest:
    @pytest.mark.parametrize(
        ("status", "available", "met", "words"),
        [
            (PASSED, "FF", True, "complete since clearing, and never failed"),
            (UNTESTED, "FF", False, "has not run since clearing"),
            # A module that does not keep status bit 4 (10) does not say whether a test ran.
            (PASSED, "EF", None, "does not say"),
        ],
    )
    def test_what_the_module_says_of_its_test(self, tmp_path, status, available, met, words):
        after = (
            ("drive", *drive()),
            (
                "after-key-cycle",
                *reading(0.0, NONE, LAMP_OFF),
                *listed(1.0, status, available=available),
            ),
        )
        if available != "FF":
            # No other reading after the erase may say it either.
            write(
                tmp_path, "01-clear", "2030-03-01T09:00:00Z", *reading(), *listed(1.0, STORED),
                erased(2.0), *reading(5.0, NONE, LAMP_OFF),
            )  # fmt: skip
            for number, (name, *records) in enumerate(after, start=2):
                write(tmp_path, f"{number:02d}-{name}", f"2030-03-01T1{number}:00:00Z", *records)
            material = load_case(tmp_path, generated_at=NOW)
        else:
            material = case(tmp_path, *after)
        point = requirement(material, "C0034", "own test of C0034")
        assert point.met is met
        assert words in point.evidence
        verdict = "proven" if met else "not-proven"
        assert item(material, "C0034").verdict == verdict

    def test_a_test_complete_since_an_older_clearing_proves_nothing(self, tmp_path):
        write(tmp_path, "01-codes", "2030-03-01T09:00:00Z", *reading(), *listed(1.0, STORED))
        later = (*reading(0.0, NONE, LAMP_OFF), *listed(1.0, PASSED))
        write(tmp_path, "02-codes", "2030-03-01T10:00:00Z", *later)
        point = requirement(load_case(tmp_path), "C0034", "own test")
        assert (point.met, "may be older than the work" in point.evidence) == (None, True)


class TestOneEntryACode:
    # 01 13 15 A8 = P0113 with failure type 15, of the engine unit asked alone.
    own = alone(0.5, "1902AF", "5902AD011315A8", to=("7E0", "7E8"))

    def test_the_generic_list_and_the_modules_own_are_one_code(self, tmp_path):
        first, second = reading(codes="43010113"), (*reading(codes="43010113"), self.own)
        write(tmp_path, "01-codes", "2030-03-01T09:00:00Z", *first)
        erase = ask(4.0, "04", "44", purpose="erase")
        after = reading(5.0, NONE, LAMP_OFF)
        write(tmp_path, "02-clear", "2030-03-01T09:10:00Z", *second, erase, *after)
        material = load_case(tmp_path, generated_at=NOW)
        gone = material.comparison.to_json()["gone"]
        assert [(c["code"], c["failure_type"]) for c in gone] == [("P0113", "15")]
        assert [i.item for i in material.comparison.repair] == ["P0113"]
        assert build_report(material).count("P0113-15") == 1

    def test_one_side_without_failure_types_still_meets_the_other(self, tmp_path):
        first = write(tmp_path, "1", "2030-03-01T09:00:00Z", *reading(codes="43010113"), self.own)
        second = write(tmp_path, "2", "2030-03-01T10:00:00Z", *reading(codes="43010113"))
        result = compare_paths(first, second).to_json()
        assert [c["code"] for c in result["remaining"]] == ["P0113"]
        assert result["gone"] == result["new"] == []

    def test_two_failure_types_of_one_code_stay_two(self, tmp_path):
        both = alone(1.0, "1902AF", "5902FF403413A8403415A8")
        write(tmp_path, "01-codes", "2030-03-01T09:00:00Z", *reading(codes=NONE), both)
        write(tmp_path, "02-codes", "2030-03-01T10:00:00Z", *reading(0.0, NONE, LAMP_OFF))
        items = [i.item for i in load_case(tmp_path).comparison.repair]
        assert items == ["C0034-13", "C0034-15"]


class TestWhatWasRead:
    def test_the_case_map_names_modules_and_brings_their_cautions(self, tmp_path):
        identity = alone(0.8, "22F187", "62F187" + b"BRK-4410".hex().upper(), purpose="identify")
        html = build_report(case(tmp_path, before=(identity,)))
        assert "brake control (7B8)" in html
        assert "Brakes and stability: licensed practice." in html
        assert "part number: BRK-4410" in html
        assert "asks for its lamp" in html
        # Named in the map, never read; and escaped.
        assert "roof &lt;b&gt;control&lt;/b&gt; (7C8)" in html
        assert "<b>control" not in html
        assert "Not read, so not known to be clear: roof" in html

    def test_without_a_map_a_module_is_called_by_its_address_once(self, tmp_path):
        html = build_report(case(tmp_path, mapped=False))
        assert "module 7B8" in html
        assert "module 7B8 (7B8)" not in html

    def test_a_broken_map_is_said_and_the_rest_reported(self, tmp_path):
        case(tmp_path, mapped=False)
        (tmp_path / "modules.toml").write_text("[[module", encoding="utf-8")
        material = load_case(tmp_path, generated_at=NOW)
        assert any("modules are called by their addresses" in w for w in material.warnings)
        assert "C0034" in build_report(material)

    def test_each_module_has_its_own_time_of_reading(self, tmp_path):
        # After the drive only the legislated modules are read.
        later = ("drive", *drive()), ("codes", *reading(0.0, NONE, LAMP_OFF))
        material = case(tmp_path, *later)
        read_at = {m["address"]: m["read_at"] for m in material.after.codes["modules"]}
        assert read_at == {"7B8": "2030-03-01T09:00:06Z", "7E8": "2030-03-01T13:00:00Z"}
        assert requirement(material, "P0102", "read again after").met is True
        point = requirement(material, "C0034", "read again after")
        assert point.met is False
        assert point.evidence.startswith("brake control (7B8): read ")

    def test_a_module_alone_erased_and_read_back_is_a_side_of_its_own(self, tmp_path):
        write(
            tmp_path, "01-clear", "2030-03-01T09:00:00Z", *reading(), *listed(1.0, STORED),
            erased(2.0), *listed(3.0, UNTESTED),
        )  # fmt: skip
        material = load_case(tmp_path, generated_at=NOW)
        result = material.comparison.to_json()
        assert [c["code"] for c in result["gone"]] == ["C0034"]
        # Nobody looked at the engine unit again.
        assert [c["code"] for c in result["not_read_again"]] == ["P0102"]

    def test_an_older_list_does_not_outlive_a_later_one(self, tmp_path):
        # Read back with a code, later read clean in another form of the question.
        clean = alone(1.0, "190209", "5902FF"), alone(1.1, "19020C", "5902FF")
        material = case(tmp_path, ("codes", *reading(0.0, NONE, LAMP_OFF), *clean))
        assert [c["code"] for c in material.comparison.to_json()["gone"]] == ["C0034", "P0102"]

    def test_permanent_codes_nobody_asked_for_again_stay_known(self, tmp_path):
        permanent = ask(0.3, "0A", "4A010102", purpose="codes")
        write(
            tmp_path, "01-clear", "2030-03-01T09:00:00Z", *reading(), permanent,
            ask(4.0, "04", "44", purpose="erase"), *reading(5.0, NONE, LAMP_OFF),
            {**permanent, "at": 6.0},
        )  # fmt: skip
        write(tmp_path, "02-codes", "2030-03-01T10:00:00Z", *reading(0.0, NONE, LAMP_OFF))
        remaining = load_case(tmp_path).comparison.to_json()["remaining"]
        assert [(c["code"], c["after"]) for c in remaining] == [("P0102", ["permanent"])]

    def test_erases_of_modules_in_a_row_are_one(self, tmp_path):
        write(
            tmp_path, "01-clear", "2030-03-01T09:00:00Z", *reading(), erased(2.0),
            erased(2.5, ("737", "73F")), ask(3.0, "04", "44", purpose="erase"),
            *reading(5.0, NONE, LAMP_OFF),
        )  # fmt: skip
        material = load_case(tmp_path, generated_at=NOW)
        assert material.erased_at == ("2030-03-01T09:00:02Z",)
        assert material.erased_modules == {"7B8", "73F", "7E8"}

    def test_a_module_from_another_vehicle_is_said_and_its_number_hidden_too(self, tmp_path):
        own, other = "1TEST0D070T000016", "1TEST0D070T999999"
        records = (
            ask(0.5, "0902", "490201" + own.encode().hex().upper(), purpose="identify"),
            alone(0.6, "22F190", "62F190" + other.encode().hex().upper(), purpose="identify"),
        )
        material = case(tmp_path, before=records)
        assert "not the number of this vehicle" in build_report(material)
        hidden = build_report(material, hide_vin=True)
        assert own not in hidden
        assert other not in hidden


class TestOwnersPage:
    def test_a_lamp_of_a_module_is_not_called_the_engine_lamp(self, tmp_path):
        html = build_report(case(tmp_path))
        assert "The engine lamp was switched on by: engine control." in html
        assert "A lamp of their own was asked for by: brake control." in html

    def test_a_fault_no_work_was_about_is_not_called_a_failed_repair(self, tmp_path):
        there = "AB"  # failing now, this cycle; confirmed, since clearing; lamp
        again = ("codes", *reading(0.0, NONE, LAMP_OFF), *listed(1.0, there))
        html = build_report(case(tmp_path, again))
        assert "C0034 is there again, and no stated work was about it." in html
        assert "The evidence speaks against" not in html

    def test_a_network_code_whose_other_end_was_read_needs_no_limit(self, tmp_path):
        # C121 = U0121, lost communication with the brake control module (SAE J2012).
        lost = reading(codes="4301C121")
        erase = ask(4.0, "04", "44", purpose="erase")
        after = reading(5.0, NONE, LAMP_OFF)
        (tmp_path / "modules.toml").write_text(MAP, encoding="utf-8")
        write(tmp_path, "01-clear", "2030-03-01T09:00:00Z", *lost, erase, *after)
        assert "as engine control (7E8) sees it" in item(load_case(tmp_path), "U0121").limit
        brakes = listed(1.0, UNTESTED)
        write(tmp_path, "02-codes", "2030-03-01T10:00:00Z", *reading(0.0, NONE, LAMP_OFF), *brakes)
        assert item(load_case(tmp_path), "U0121").limit == ""

    def test_work_on_a_module_that_was_read_needs_that_module_free_of_codes(self, tmp_path):
        def point(status):
            write(
                tmp_path, "02-codes", "2030-03-01T10:00:00Z", *reading(0.0, NONE, LAMP_OFF),
                *listed(1.0, status),
            )  # fmt: skip
            items = load_case(tmp_path).comparison.repair
            (work,) = [i for i in items if i.kind == "work"]
            return work.requirements[0]

        (tmp_path / "modules.toml").write_text(MAP, encoding="utf-8")
        work = {"unplugged": ["brake control module"]}
        first = (*reading(lamp=LAMP_ON), *listed(1.0, STORED))
        write(tmp_path, "01-codes", "2030-03-01T09:00:00Z", *first, work=work)
        assert point(PASSED).met is True
        assert point("AB").met is False
        assert point(WAITS).met is None
        assert "brake control (7B8) itself holds no code" in point(PASSED).text
