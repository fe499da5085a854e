from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis import csv_import as module
from analysis.column_map import ColumnMap, load_column_map, resolve_signal
from analysis.csv_import import import_csv
from analysis.csv_units import conversion
from analysis.derive import distance
from analysis.load import load
from obdlog.errors import InputFileError, SessionFileError

DRIVES = Path(__file__).parents[1] / "data" / "road_drives"
LONG = ColumnMap(time="time_s", key="pid", value="value")


@pytest.fixture
def imported(tmp_path):
    def run(text: str | bytes, column_map: ColumnMap = LONG):
        src, dst = tmp_path / "a.csv", tmp_path / "a.session.jsonl"
        src.write_bytes(text if isinstance(text, bytes) else text.encode())
        summary = import_csv(src, dst, column_map)
        return summary, load(dst)

    return run


def values(data, signal):
    samples = data.samples(signal)
    return list(zip(samples.at_s.tolist(), samples.value.tolist(), strict=True))


# Figures published with the drives (M. Weber, KIT, DOI 10.35097/1130, CC BY 4.0; see NOTICE.md).
@pytest.mark.parametrize(
    ("file", "replies", "seconds", "gaps_over_1_s", "longest_gap_s", "km"),
    [
        ("drive_accelerating.csv", 10_176, 862, 0, 0.209, 13.8),
        ("drive_town_with_gaps.csv", 6_829, 731, 7, 62.07, 7.0),
    ],
)
def test_open_road_drives(tmp_path, file, replies, seconds, gaps_over_1_s, longest_gap_s, km):
    dst = tmp_path / "drive.session.jsonl"
    column_map = ColumnMap(
        time="time_s", key="pid", value="value", gap_s=1.0, note="M. Weber, KIT, CC BY 4.0"
    )
    summary = import_csv(DRIVES / file, dst, column_map)
    data = load(dst)
    assert summary.rows == summary.readings == len(data.readings) == replies
    assert int(summary.seconds) == int(data.seconds) == seconds
    assert len(summary.signals) == 10
    assert summary.gaps == len(data.gaps) == gaps_over_1_s
    assert np.diff(data.readings["at_s"]).max() == pytest.approx(longest_gap_s)
    # the longest interval of speed itself that is not a gap of the whole file is 3.1 s
    assert distance(data.samples("VSS"), max_step_s=4.0).km == pytest.approx(km, abs=0.05)
    assert data.complete
    assert not data.warnings
    assert data.header["transport"] == "import"
    assert "CC BY 4.0" in str(data.header["origin"])


def test_long_by_pid_and_by_signal_name(imported):
    summary, data = imported("time_s,pid,value\n10,0C,800\n10.5,VSS,30\n11,0x05,90\n11,010D,31\n")
    assert values(data, "RPM") == [(0.0, 800.0)]
    assert values(data, "VSS") == [(0.5, 30.0), (1.0, 31.0)]
    assert values(data, "ECT") == [(1.0, 90.0)]
    assert (summary.rows, summary.readings, summary.seconds) == (4, 4, 1.0)


def test_wide_with_units_decimal_comma_and_other_delimiter(imported):
    column_map = ColumnMap(
        time="Zeit",
        time_unit="ms",
        columns={"Speed": "VSS", "Coolant": "05", "Boost": "MAP"},
        units={"Speed": "mph", "Coolant": "°F", "Boost": "bar"},
        delimiter=";",
        decimal=",",
    )
    text = "Zeit;Speed;Coolant;Boost;Other\n1000;60;212;1,5;x\n1500,5;;;\u002d;y\n"
    summary, data = imported(text, column_map)
    # NIST SP 811 appendix B: 1 mi = 1.609 344 km; 212 °F = 100 °C
    assert values(data, "VSS") == [(0.0, pytest.approx(96.56064))]
    assert values(data, "ECT") == [(0.0, pytest.approx(100.0))]
    assert values(data, "MAP") == [(0.0, pytest.approx(150.0))]
    assert (summary.blank, summary.unused) == (3, ("Other",))


def test_unit_per_row_and_iso_time(imported):
    column_map = ColumnMap(time="t", time_unit="iso", key="what", value="v", unit="u")
    text = "t,what,v,u\n2024-03-01T12:00:00+01:00,ECT,363.15,K\n2024-03-01T11:00:02Z,ECT,91,degC\n"
    _, data = imported(text, column_map)
    assert values(data, "ECT") == [(0.0, pytest.approx(90.0)), (2.0, 91.0)]
    assert data.header["started"] == "2024-03-01T11:00:00Z"


def test_own_names_ignored_names_and_sorting(imported):
    column_map = ColumnMap(
        time="time_s", key="pid", value="value",
        signals={"engine": "RPM"}, ignore=("note",), sort=True, skip_text=True,
    )  # fmt: skip
    text = "time_s,pid,value\n2,engine,900\n1,engine,800\n3,note,1\n4,engine,many\n"
    summary, data = imported(text, column_map)
    assert values(data, "RPM") == [(0.0, 800.0), (1.0, 900.0)]
    assert summary.skipped == 2


def test_gaps_become_records(imported):
    summary, data = imported("time_s,pid,value\n0,0D,1\n1,0D,1\n3.5,0D,1\n5.5,0D,1\n")
    assert summary.gaps == 1
    assert [(gap.start_s, gap.end_s) for gap in data.gaps] == [(1.0, 3.5)]


@pytest.mark.parametrize(
    ("text", "says", "line"),
    [
        ("", "is empty", None),
        ("time_s,pid,value\n", "no rows", None),
        ("time_s,pid,value\n1,0C,\n", "no values", None),
        ("time_s,pid\n1,0C\n", "no column 'value'; it has: time_s, pid", 1),
        ("time_s;pid;value\n1;0C;2\n", "it has: time_s;pid;value", 1),
        ("time_s,pid,value,pid\n1,0C,2,3\n", "more than once", 1),
        ("time_s,pid,value\n1,0C,800\n0.5,0C,800\n", "goes back in time by 0.5 s", 3),
        ("time_s,pid,value\n1,0C,800\n2,0C,fast\n", "'fast' where a number", 3),
        ("time_s,pid,value\n1,0C,1e999\n", "where a number", 2),
        ("time_s,pid,value\n1,0C,inf\n", "where a number", 2),
        ("time_s,pid,value\n1,0C,1_000\n", "where a number", 2),
        ("time_s,pid,value\nnoon,0C,800\n", "'noon' where a time", 2),
        ("time_s,pid,value\n1,0C\n", "2 fields where its header has 3", 2),
        ("time_s,pid,value\n1,ZZ,800\n", "neither a signal nor a PID", 2),
        ("time_s,pid,value\n1,14,0.5\n", "O2S1_V, O2S1_SHRTFT: name one", 2),
        ("time_s,pid,value\n1,00,5\n", "no number", 2),
        ('time_s,pid,value\n1,0C,"800\n', "is not CSV", 2),
        (b"time_s,pid,value\n1,0C,\xff\xfe\n", "not text in UTF-8", None),
        (b"\x00\x01\x02" * 100, "binary data", 1),
        ("time_s,pid,value\n1,\x1b[2J,3\n", "neither a signal", 2),
        ("x" * 2_000_000, "is too long", 1),
    ],
)
def test_a_bad_file_is_one_sentence_with_its_line(imported, tmp_path, text, says, line):
    with pytest.raises(InputFileError) as caught:
        imported(text)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "\x1b" not in str(caught.value)
    assert caught.value.line == line
    assert not (tmp_path / "a.session.jsonl").exists()


def test_missing_file_folder_and_existing_session(tmp_path):
    with pytest.raises(InputFileError, match="does not exist"):
        import_csv(tmp_path / "no.csv", tmp_path / "o.session.jsonl", LONG)
    with pytest.raises(InputFileError, match="is not a file"):
        import_csv(tmp_path, tmp_path / "o.session.jsonl", LONG)
    src, dst = tmp_path / "a.csv", tmp_path / "a.session.jsonl"
    src.write_text("time_s,pid,value\n1,0C,800\n", encoding="utf-8")
    dst.write_text("precious", encoding="utf-8")
    with pytest.raises(SessionFileError):
        import_csv(src, dst, LONG)
    assert dst.read_text(encoding="utf-8") == "precious"


def test_size_limits(imported, monkeypatch):
    monkeypatch.setattr(module, "MOST_READINGS", 2)
    with pytest.raises(InputFileError, match="more than 2 values"):
        imported("time_s,pid,value\n1,0C,1\n2,0C,1\n3,0C,1\n")
    monkeypatch.setattr(module, "LARGEST_FILE_BYTES", 10)
    with pytest.raises(InputFileError, match="too large"):
        imported("time_s,pid,value\n1,0C,1\n")


@pytest.mark.parametrize(
    ("theirs", "ours", "value", "wanted"),
    [
        ("degC", "°C", 20.0, 20.0),
        ("F", "°C", 32.0, 0.0),
        ("psi", "kPa", 1.0, 6.894757),  # NIST SP 811 appendix B
        ("inHg", "kPa", 1.0, 3.386389),  # NIST SP 811 appendix B
        ("mbar", "kPa", 1013.25, 101.325),
        ("rpm", "min-1", 800.0, 800.0),
        ("m/s", "km/h", 10.0, 36.0),
        ("kg/h", "g/s", 36.0, 10.0),
        ("lb/min", "g/s", 60.0, 453.59237),
        ("mV", "V", 450.0, 0.45),
    ],
)
def test_units(theirs, ours, value, wanted):
    assert conversion(theirs, ours).apply(value) == pytest.approx(wanted, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("theirs", "ours"), [("kPa", "°C"), ("furlong", "km"), ("rpm", "V")])
def test_units_that_do_not_fit(theirs, ours):
    with pytest.raises(ValueError, match="cannot be turned into"):
        conversion(theirs, ours)


def test_a_unit_that_does_not_fit_the_signal_names_the_line(imported):
    column_map = ColumnMap(time="time_s", key="pid", value="value", units={"0C": "km/h"})
    with pytest.raises(InputFileError, match=r"line 2.*cannot be turned into"):
        imported("time_s,pid,value\n1,0C,800\n", column_map)


@pytest.mark.parametrize(
    ("text", "signal"),
    [("0c", "RPM"), ("rpm", "RPM"), ("0106", "SHRTFT1"), ("ADAPTER_V", "ADAPTER_V"), ("10", "MAF")],
)
def test_names_and_pids(text, signal):
    assert resolve_signal(text) == signal


@pytest.mark.parametrize(
    "given",
    [
        {"time": ""},
        {"time": "t"},
        {"time": "t", "key": "k"},
        {"time": "t", "key": "k", "value": "v", "columns": {"a": "RPM"}},
        {"time": "t", "columns": {"a": "RPM"}, "time_unit": "h"},
        {"time": "t", "columns": {"a": "RPM"}, "delimiter": ""},
        {"time": "t", "columns": {"a": "RPM"}, "decimal": ","},
        {"time": "t", "columns": {"a": "RPM"}, "gap_s": 0},
        {"time": "t", "columns": {"a": "RPM"}, "source": "\x1b"},
    ],
)
def test_a_map_that_makes_no_sense_is_refused(given):
    with pytest.raises(ValueError, match=r"\w"):
        ColumnMap(**given)


def test_map_from_toml(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text(
        'time = "t"\ntime_unit = "ms"\nignore = ["x"]\nkey = "k"\nvalue = "v"\n'
        '[units]\nECT = "°F"\n[vehicle]\nfuel = "diesel"\n',
        encoding="utf-8",
    )
    made = load_column_map(path)
    assert (made.time, made.time_unit, made.ignore, made.is_long) == ("t", "ms", ("x",), True)
    assert made.vehicle == {"fuel": "diesel"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time = ", "not valid TOML"),
        ('time = "t"\ncolour = 1', "unknown entries: colour"),
        ("time = 5", "time is not of the right kind"),
        ('time = "t"', "needs either"),
        ('time = "t"\n[columns]\na = 5', "columns is not of the right kind"),
    ],
)
def test_a_broken_map_is_one_sentence(tmp_path, text, says):
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match=says):
        load_column_map(path)
