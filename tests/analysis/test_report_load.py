"""A case folder becomes a report: sides told by content, damage reported and not fatal."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.report import build_report
from analysis.report.load import compare_paths, load_case
from analysis.report.scan import scan
from analysis.report.words import moment
from obdlog.errors import InputFileError

# Payloads written by hand from SAE J1979 on ISO 15765-4: 43 = stored codes, count, codes;
# 41 01 = lamp and count, then monitors; 44 = erased; 41 0C = engine speed in quarter rpm.
NONE, MAF_LOW = "4300", "43010102"
LAMP_ON, LAMP_OFF = "410181076100", "410100076100"
NOW = datetime(2026, 3, 1, 18, tzinfo=UTC)


def ask(at, request, *replies, purpose="", source="7E8"):
    return {
        "kind": "exchange",
        "at": at,
        "ask": request,
        "to": "functional",
        "got": [[source, reply, 0.01] for reply in replies],
        "purpose": purpose,
    }


def write(folder, name, started, *records, **header):
    lines = [{"kind": "session", "version": 1, "started": started, **header}, *records]
    lines.append({"kind": "end", "at": max([0, *(r["at"] for r in records)])})
    path = folder / f"{name}.session.jsonl"
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    return path


def reading(at=0.0, codes=MAF_LOW, lamp=LAMP_ON):
    return (
        ask(at, "0101", lamp, purpose="codes"),
        ask(at + 0.1, "03", codes, purpose="codes"),
        ask(at + 0.2, "07", "4700", purpose="codes"),
    )


def drive(seconds=700, speed="3C"):
    """One request a second for engine speed, vehicle speed and airflow, 60 km/h."""
    for at in range(seconds):
        kmh = "00" if at < 60 else speed
        yield ask(float(at), "010C0D10", f"410C17700D{kmh}1004B0", purpose="poll")


@pytest.fixture
def case(tmp_path):
    work = {"unplugged": ["airflow meter plug"]}
    write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", *reading(), work=work, software="obdlog 0")
    write(
        tmp_path,
        "02-clear",
        "2026-03-01T09:10:00Z",
        *reading(),
        ask(5.0, "04", "44", purpose="erase"),
        *reading(6.0, NONE, LAMP_OFF),
    )
    write(tmp_path, "03-road-test", "2026-03-01T09:20:00Z", *drive())
    write(tmp_path, "04-codes", "2026-03-01T10:00:00Z", *reading(0.0, NONE, LAMP_OFF))
    (tmp_path / "case.toml").write_text(
        'odometer_km = 120000\nnotes = ["Battery was flat."]\n[vehicle]\nfuel = "petrol"\n'
        '[work]\nreplaced = ["battery"]\n',
        encoding="utf-8",
    )
    return tmp_path


def codes_of(side):
    return [c["code"] for m in side.codes["modules"] for c in m["codes"]]


def test_an_accepted_erase_parts_before_from_after(case):
    material = load_case(case, generated_at=NOW)
    assert material.erased_at == ("2026-03-01T09:10:05Z",)
    assert (codes_of(material.before), codes_of(material.after)) == (["P0102"], [])
    assert material.before.codes["read_at"] == "2026-03-01T09:10:00Z"
    assert material.after.codes["read_at"] == "2026-03-01T10:00:00Z"
    assert material.before.codes["modules"][0]["lamp"] is True
    assert material.after.codes["modules"][0]["lamp"] is False
    assert material.before.data is None
    assert material.after.data.path.name == "03-road-test.session.jsonl"
    assert material.after.findings
    assert material.comparison.to_json()["gone"][0]["code"] == "P0102"


def test_a_code_that_came_back_after_an_erase_on_file_contradicts(tmp_path):
    # PID 31: 5 km since clearing before the erase, 80 km after it (SAE J1979).
    before_km, after_km = (ask(1.0, "0131", f"4131{km:04X}", purpose="codes") for km in (5, 80))
    first = write(
        tmp_path,
        "01-clear",
        "2026-03-01T09:00:00Z",
        *reading(),
        before_km,
        ask(5.0, "04", "44", purpose="erase"),
        *reading(6.0, NONE, LAMP_OFF),
    )
    second = write(tmp_path, "02-codes", "2026-03-01T12:00:00Z", *reading(), after_km)
    for result in (load_case(tmp_path).comparison, compare_paths(first, second)):
        (item,) = result.repair
        assert item.verdict == "contradicted"
        assert "present again (confirmed)" in item.requirements[0].evidence


def test_codes_between_two_readings_and_permanent_ones_reach_the_verdict(tmp_path):
    permanent = [ask(0.3, "0A", "4A010102", purpose="codes")]
    write(
        tmp_path,
        "01-clear",
        "2026-03-01T09:00:00Z",
        *reading(),
        *permanent,
        ask(5.0, "04", "44", purpose="erase"),
        *reading(6.0, NONE, LAMP_OFF),
        ask(7.0, "07", "47010102", purpose="codes"),
    )
    write(tmp_path, "02-codes", "2026-03-01T12:00:00Z", *reading(0.0, NONE, LAMP_OFF))
    (item,) = load_case(tmp_path).comparison.repair
    assert "still showed it (pending)" in item.requirements[0].evidence
    (record,) = [r for r in item.requirements if "permanent record" in r.text]
    assert record.met is None
    last = ask(0.0, "0A", "4A00", purpose="codes")
    write(tmp_path, "03-codes", "2026-03-01T13:00:00Z", *reading(0.0, NONE, LAMP_OFF), last)
    (item,) = load_case(tmp_path).comparison.repair
    (record,) = [r for r in item.requirements if "permanent record" in r.text]
    assert record.met is True


def test_two_readings_that_differ_only_in_the_code_are_two(tmp_path):
    first, second = reading(codes="43010102"), reading(5.0, codes="43010113")
    path = write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", *first, *second)
    asked = [e for e in scan(path, []).exchanges if e.request.service == 3]
    assert [e.messages[0].payload.hex() for e in asked] == ["43010102", "43010113"]


def test_of_several_drives_the_longest_is_shown(tmp_path):
    write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", *reading())
    for number, seconds in ((2, 100), (3, 300), (4, 200)):
        write(tmp_path, f"0{number}-drive", f"2026-03-01T1{number}:00:00Z", *drive(seconds))
    assert load_case(tmp_path).after.data.path.name == "03-drive.session.jsonl"


def test_a_session_that_may_not_be_read_is_named_and_the_rest_reported(case, monkeypatch):
    locked = write(case, "05-locked", "2026-03-01T11:00:00Z", *reading())
    opened = Path.open

    def refuse(path, *arguments, **options):
        if path == locked:
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *arguments, **options)

    # The mode of a file does not bind every user that runs tests.
    monkeypatch.setattr(Path, "open", refuse)
    material = load_case(case, generated_at=NOW)
    held = {f.name: f for f in material.files}[locked.name]
    assert (held.size_bytes, held.sha256, held.holds) == (
        locked.stat().st_size, "", "could not be read",
    )  # fmt: skip
    assert locked.name in build_report(material)


def test_facts_work_and_checksums_reach_the_report(case):
    material = load_case(case, generated_at=NOW, software="obdlog 9")
    assert material.work.unplugged == ("airflow meter plug",)
    assert material.work.replaced == ("battery",)
    assert material.equipment.software == "obdlog 9"
    held = {f.name: f for f in material.files}
    assert held["case.toml"].holds == "facts stated by the user"
    assert held["02-clear.session.jsonl"].holds == "readiness, codes, erase"
    assert held["03-road-test.session.jsonl"].holds == "drive"
    for name, file in held.items():
        assert file.sha256 == hashlib.sha256((case / name).read_bytes()).hexdigest()
    html = build_report(material)
    for words in ("Battery was flat.", "120\u202f000", "P0102", held["case.toml"].sha256):
        assert words in html


def test_no_code_vanishes_between_two_erases(tmp_path):
    # P0102 before the first erase, P0171 between both, nothing after the second.
    write(
        tmp_path,
        "01-clear",
        "2026-03-01T09:00:00Z",
        *reading(),
        ask(5.0, "04", "44", purpose="erase"),
        *reading(6.0, "43010171", LAMP_OFF),
    )
    write(
        tmp_path,
        "02-clear",
        "2026-03-01T10:00:00Z",
        # The same by ISO 14229-1.
        ask(5.0, "14FFFFFF", "54", purpose="erase"),
        *reading(6.0, NONE, LAMP_OFF),
    )
    material = load_case(tmp_path)
    assert material.erased_at == ("2026-03-01T09:00:05Z", "2026-03-01T10:00:05Z")
    assert (codes_of(material.before), codes_of(material.after)) == (["P0102", "P0171"], [])
    assert material.before.codes["read_at"] == "2026-03-01T09:00:00Z"
    assert material.before.codes["modules"][0]["lamp"] is True
    assert material.before.readiness["modules"][0]["lamp"] is True
    assert {c.code for c in material.comparison.codes if c.change == "gone"} == {"P0102", "P0171"}
    html = build_report(material)
    assert ", ".join(map(moment, material.erased_at)) in html
    assert "The case shows 2 erases." in html


def test_a_module_that_was_never_read_is_not_called_repaired_without_saying_so(tmp_path):
    work = {"unplugged": ["brake control module"]}
    # C121 = U0121, lost communication with the brake control module (SAE J2012).
    write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", *reading(codes="4301C121"), work=work)
    write(tmp_path, "02-codes", "2026-03-01T10:00:00Z", *reading(0.0, NONE, LAMP_OFF))
    html = build_report(load_case(tmp_path))
    limit = "The brake control module itself was not read"
    assert html.count(limit) == 2, "on the owner's page and with the evidence"


def test_a_code_that_one_earlier_session_showed_stays_before(tmp_path):
    write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", *reading())
    write(
        tmp_path,
        "02-clear",
        "2026-03-01T09:10:00Z",
        *reading(0.0, NONE, LAMP_OFF),
        ask(5.0, "04", "44", purpose="erase"),
        *reading(6.0, NONE, LAMP_OFF),
    )
    material = load_case(tmp_path)
    assert (codes_of(material.before), codes_of(material.after)) == (["P0102"], [])


def test_a_drive_is_known_by_what_was_asked_when_nothing_says_its_purpose(tmp_path):
    polled = [{**record, "purpose": ""} for record in drive(25_000)]
    codes = ({**record, "at": 25_001.0, "purpose": ""} for record in reading())
    write(tmp_path, "01-drive", "2026-03-01T09:00:00Z", *polled, *codes)
    material = load_case(tmp_path)
    assert material.before.data is not None
    assert material.before.data.seconds > 24_000
    assert codes_of(material.before) == ["P0102"]
    assert material.before.readiness is not None
    assert material.warnings == ()
    assert material.files[0].holds == "readiness, codes, drive"


def test_questions_about_the_engine_before_an_erase_are_no_drive(tmp_path):
    safety = [
        ask(float(at), ask_, reply, purpose="safety")
        for at in range(30)
        for ask_, reply in (("010C", "410C0000"), ("010D", "410D00"))
    ]
    write(tmp_path, "01-clear", "2026-03-01T09:00:00Z", *safety, *reading(40.0))
    assert load_case(tmp_path).before.data is None


def test_what_a_bound_cuts_is_said_and_codes_are_never_cut(tmp_path, monkeypatch):
    monkeypatch.setattr("analysis.report.scan.MOST_SIGNALS", 50)
    different = [ask(float(n), f"01{n:02X}", f"41{n:02X}00") for n in range(2, 202)]
    write(tmp_path, "01-x", "2026-03-01T09:00:00Z", *different, *reading(300.0))
    material = load_case(tmp_path)
    assert codes_of(material.before) == ["P0102"]
    (warning,) = material.warnings
    assert warning.startswith("01-x.session.jsonl: 151 exchanges are left out")


def test_broken_lines_are_named_in_the_report(tmp_path):
    path = write(tmp_path, "01-x", "2026-03-01T09:00:00Z", *reading(), ask(1.0, "zz", "43"))
    with path.open("a", encoding="utf-8") as file:
        file.write("no record\n" * 20)
    warnings = load_case(tmp_path).warnings
    assert len(warnings) == 6
    assert warnings[-1] == "01-x.session.jsonl: 16 more such notes"


def test_without_an_erase_the_first_reading_is_before(tmp_path):
    write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", *reading())
    write(tmp_path, "02-codes", "2026-03-01T10:00:00Z", *reading(0.0, MAF_LOW, LAMP_ON))
    material = load_case(tmp_path)
    assert material.erased_at == ()
    assert codes_of(material.before) == codes_of(material.after) == ["P0102"]


def test_one_reading_is_compared_with_nothing(tmp_path):
    write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", *reading())
    material = load_case(tmp_path)
    assert material.comparison is None
    assert "read once" in build_report(material)


def test_a_refused_erase_is_no_line(tmp_path):
    refused = ask(5.0, "04", "7F0422", purpose="erase")
    write(tmp_path, "01-clear", "2026-03-01T09:00:00Z", *reading(), refused)
    assert load_case(tmp_path).erased_at == ()


@pytest.mark.parametrize(
    ("replies", "listed"),
    [
        ((), True),
        # "Response pending" is no answer yet (ISO 14229-1, negative response code 78).
        (("7F0478",), True),
        (("7F0422",), False),
        (("44",), False),
    ],
)
def test_an_erase_whose_answer_was_lost_is_listed_as_that(tmp_path, replies, listed):
    sent = {**ask(5.0, "04", *replies, purpose="erase"), "outcome": "lost"}
    write(tmp_path, "01-clear", "2026-03-01T09:00:00Z", *reading(), sent)
    html = build_report(load_case(tmp_path))
    assert ("sent 2026-03-01 09:00:05 UTC, answer not known" in html) is listed
    assert ("whether the car carried it out is not known" in html) is listed


def test_a_damaged_session_is_named_and_the_rest_reported(case):
    (case / "05-broken.session.jsonl").write_bytes(b"\x00\xff not a session")
    material = load_case(case, generated_at=NOW)
    assert len(material.warnings) == 1
    assert material.warnings[0].startswith("05-broken.session.jsonl is left out")
    assert {f.name: f.holds for f in material.files}["05-broken.session.jsonl"] == (
        "could not be read"
    )
    assert "05-broken.session.jsonl is left out" in build_report(material)


def test_a_folder_without_a_readable_session_is_said(tmp_path):
    with pytest.raises(InputFileError, match="holds no session that can be read"):
        load_case(tmp_path)
    (tmp_path / "01-x.session.jsonl").write_bytes(b"")
    with pytest.raises(InputFileError, match=r"01-x\.session\.jsonl is left out"):
        load_case(tmp_path)


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(InputFileError):
        load_case(tmp_path / "none")


def test_two_sessions_compare_by_path(case):
    result = compare_paths(case / "01-codes.session.jsonl", case / "04-codes.session.jsonl")
    assert [c.code for c in result.codes if c.change == "gone"] == ["P0102"]
    # Both sides of the erase within one file.
    within = compare_paths(case / "02-clear.session.jsonl", case / "02-clear.session.jsonl")
    assert [c.code for c in within.codes if c.change == "gone"] == ["P0102"]


def test_a_folder_compares_as_its_own_sides(case):
    result = compare_paths(case, case)
    assert [c.code for c in result.codes if c.change == "gone"] == ["P0102"]


def test_the_older_buses_are_told_by_their_addresses(tmp_path):
    # Service 03 on the older buses has no count byte and pads with zeros (SAE J1979).
    old = ask(0.1, "03", "43010200000000", purpose="codes", source="10")
    write(tmp_path, "01-codes", "2026-03-01T09:00:00Z", old)
    assert codes_of(load_case(tmp_path).before) == ["P0102"]
