"""Readings in files of other programs: nothing filled, nothing run, nothing half written."""

from __future__ import annotations

import csv
import importlib.util
import io
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis import export
from analysis.data import SessionData
from analysis.export import export_readings, safe_cell
from obdlog.errors import AnalysisError

ROWS = [
    (0.0, "7E8", "RPM", 812.5),
    (0.1, "7E8", "IAT", -12.0),
    (0.2, "7E9", "RPM", np.nan),
    (0.2, "7E8", "VSS", 3.0),
]


def session(rows=ROWS, path="drive.session.jsonl"):
    frame = pd.DataFrame(rows, columns=["at_s", "source", "signal", "value"])
    frame = frame.astype(
        {"at_s": float, "value": float, "source": "category", "signal": "category"}
    )
    return SessionData(Path(path), {"started": "2026-03-01T10:00:00Z"}, frame)


def written(tmp_path, layout, data=None):
    path = export_readings(data or session(), tmp_path / "out.csv", "csv", layout=layout)
    return list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))


def test_long_csv_has_one_row_a_reading_with_its_unit(tmp_path):
    assert written(tmp_path, "long") == [
        ["at_s", "source", "signal", "value", "unit"],
        ["0.000000", "7E8", "RPM", "812.5", "min-1"],
        ["0.100000", "7E8", "IAT", "-12.0", "°C"],
        ["0.200000", "7E9", "RPM", "", "min-1"],
        ["0.200000", "7E8", "VSS", "3.0", "km/h"],
    ]


def test_wide_csv_keeps_modules_apart_and_leaves_unread_cells_empty(tmp_path):
    assert written(tmp_path, "wide") == [
        ["at_s", "IAT [°C]", "RPM.7E8 [min-1]", "RPM.7E9 [min-1]", "VSS [km/h]"],
        ["0.000000", "", "812.5", "", ""],
        ["0.100000", "-12.0", "", "", ""],
        ["0.200000", "", "", "", "3.0"],
    ]


@pytest.mark.parametrize("layout", ["long", "wide"])
def test_chunks_do_not_show(tmp_path, monkeypatch, layout):
    rows = [(i / 10, "7E8", ("RPM", "VSS")[i % 2], float(i)) for i in range(101)]
    whole = written(tmp_path, layout, session(rows))
    monkeypatch.setattr(export, "CHUNK_ROWS", 7)
    assert written(tmp_path, layout, session(rows)) == whole
    assert len(whole) == 102


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_text_never_starts_a_formula(start):
    # Characters listed by OWASP, "CSV Injection".
    assert safe_cell(f"{start}cmd()") == f"'{start}cmd()"


def test_hostile_names_are_made_safe_in_the_file(tmp_path):
    rows = [(0.0, "=cmd()", "@SUM", 1.0)]
    assert written(tmp_path, "long", session(rows))[1][1:3] == ["'=cmd()", "'@SUM"]
    assert written(tmp_path, "wide", session(rows))[0][1] == "'@SUM"


def test_parquet_reads_back_with_units(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    path = export_readings(session(), tmp_path / "out.parquet", "parquet")
    table = parquet.read_table(path)
    assert table.column_names == ["at_s", "source", "signal", "value"]
    assert table["signal"].to_pylist() == ["RPM", "IAT", "RPM", "VSS"]
    assert table["value"].to_pylist() == [812.5, -12.0, None, 3.0]
    assert table.schema.metadata[b"unit.RPM"] == b"min-1"
    assert table.schema.metadata[b"started"] == b"2026-03-01T10:00:00Z"


def test_wide_parquet_states_the_unit_of_each_column(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    path = export_readings(session(), tmp_path / "out.parquet", "parquet", layout="wide")
    table = parquet.read_table(path)
    assert table.schema.field("VSS [km/h]").metadata[b"unit"] == b"km/h"
    assert table["VSS [km/h]"].to_pylist() == [None, None, 3.0]


@pytest.mark.skipif(
    importlib.util.find_spec("asammdf") is None, reason="the extra mdf is not installed"
)
def test_mdf_reads_back_each_signal_on_its_own_times(tmp_path):
    asammdf = pytest.importorskip("asammdf")
    path = export_readings(session(), tmp_path / "out.mf4", "mdf")
    assert path.read_bytes().startswith(b"MDF")
    with asammdf.MDF(path) as mdf:
        speed = mdf.get("VSS")
        assert (speed.unit, list(speed.timestamps), list(speed.samples)) == ("km/h", [0.2], [3.0])


@pytest.mark.parametrize(
    ("file_format", "module", "extra"),
    [("parquet", "pyarrow", "parquet"), ("mdf", "asammdf", "mdf")],
)
def test_a_missing_extra_is_named_and_leaves_no_file(
    tmp_path, monkeypatch, file_format, module, extra
):
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(AnalysisError, match=f"“{extra}”, which is not installed") as caught:
        export_readings(session(), tmp_path / "out", file_format)
    assert f"obdlog[{extra}]" in caught.value.hint
    assert not list(tmp_path.iterdir())


def test_a_failed_export_leaves_the_older_file_alone(tmp_path, monkeypatch):
    path = tmp_path / "out.csv"
    path.write_text("older")

    def fail(*_):
        raise OSError("disk full")

    monkeypatch.setattr(export, "_long_chunks", fail)
    with pytest.raises(OSError, match="disk full"):
        export_readings(session(), path, "csv")
    assert path.read_text() == "older"
    assert list(tmp_path.iterdir()) == [path]


def test_the_session_itself_is_never_replaced(tmp_path):
    path = tmp_path / "drive.session.jsonl"
    path.write_text("{}")
    with pytest.raises(ValueError, match="replace the session"):
        export_readings(session(path=path), path, "csv")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [({"file_format": "xls"}, "csv, parquet or mdf"), ({"layout": "tall"}, "long or wide")],
)
def test_misuse_is_a_sentence(tmp_path, arguments, says):
    with pytest.raises(ValueError, match=says):
        export_readings(session(), tmp_path / "o", **{"file_format": "csv", **arguments})


def test_an_empty_session_is_said(tmp_path):
    with pytest.raises(AnalysisError, match="holds no readings"):
        export_readings(session([]), tmp_path / "o.csv", "csv")
