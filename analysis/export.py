"""Readings to files that other programs read: CSV, Parquet and ASAM MDF 4.

Nothing is filled or resampled. *Long* has one row a reading. *Wide* has one row for each moment
at which anything was read and one column a signal; a cell without a reading stays empty.
"""

from __future__ import annotations

import csv
import importlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, Final, Literal, get_args

import numpy as np
import pandas as pd

from analysis.data import FloatArray, SessionData, label_of, unit_of
from obdlog.errors import AnalysisError, TableError

Format = Literal["csv", "parquet", "mdf"]
Layout = Literal["long", "wide"]

CHUNK_ROWS: Final = 100_000
"""Rows turned into text or columns at a time, so that a long log needs little extra memory."""

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def export_readings(
    data: SessionData, path: Path | str, file_format: Format, *, layout: Layout = "long"
) -> Path:
    """Return the path written, with all readings of the session.

    The file appears under its name only when it is complete. MDF has one channel group a signal
    with that signal's own times, whatever the `layout`.

    Parameters
    ----------
    data
        The session.
    path
        File to write; an existing one is replaced, but never the session itself.
    file_format
        ``csv`` (UTF-8, comma, numbers with a point), ``parquet`` (extra ``parquet``) or ``mdf``
        (MDF 4.10, extra ``mdf``).
    layout
        ``long`` or ``wide``.

    Raises
    ------
    AnalysisError
        The format's extra is not installed, or the session has no readings.
    ValueError
        Unknown format or layout, or the path is the session's own.
    OSError
        The file cannot be written.

    References
    ----------
    [RFC4180], [PARQUET], [ASAM-MDF]
    """
    path = Path(path)
    writers: dict[str, Callable[[SessionData, Path, Layout], None]] = {
        "csv": _write_csv,
        "parquet": _write_parquet,
        "mdf": _write_mdf,
    }
    if file_format not in writers:
        raise ValueError(f"readings are exported as csv, parquet or mdf, not as {file_format}")
    if layout not in get_args(Layout):
        raise ValueError(f"a table of readings is long or wide, not {layout}")
    if path.exists() and data.path.exists() and path.samefile(data.path):
        raise ValueError("the export would replace the session it is made from")
    if data.readings.empty:
        raise AnalysisError(f"{data.path.name} holds no readings to export")
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        writers[file_format](data, partial, layout)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
    return path


def safe_cell(text: str) -> str:
    """Return text that a spreadsheet shows and does not run as a formula.

    A leading apostrophe is put before the characters that start one [CSV-INJECTION].
    """
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def _unit(signal: str) -> str:
    try:
        return unit_of(signal)
    except TableError:
        return ""


def _columns(data: SessionData) -> list[tuple[str, str]]:
    """Return the wide table's columns: signal and source, by name."""
    return [(name, source) for name in data.signals() for source in sorted(data.sources(name))]


def _headings(columns: list[tuple[str, str]]) -> list[str]:
    several = {n for n, _ in columns if sum(name == n for name, _ in columns) > 1}
    headings = []
    for name, source in columns:
        unit = _unit(name)
        heading = f"{name}.{source}" if name in several else name
        headings.append(f"{heading} [{unit}]" if unit else heading)
    return headings


def _wide_chunks(data: SessionData) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield times [s] and a matrix of values, NaN where nothing was read at that moment."""
    readings = data.readings
    signals = readings["signal"].cat.codes.to_numpy().astype(np.int64)
    sources = readings["source"].cat.codes.to_numpy().astype(np.int64)
    signal_names = list(readings["signal"].cat.categories)
    source_names = list(readings["source"].cat.categories)
    width = len(source_names)
    column_of = np.full(len(signal_names) * width, -1, dtype=np.int64)
    columns = _columns(data)
    for number, (name, source) in enumerate(columns):
        column_of[signal_names.index(name) * width + source_names.index(source)] = number
    column = column_of[signals * width + sources]
    moments, row = np.unique(readings["at_s"].to_numpy(), return_inverse=True)
    values = readings["value"].to_numpy()
    rows_a_chunk = max(1, CHUNK_ROWS * 5 // max(1, len(columns)))
    for start in range(0, moments.size, rows_a_chunk):
        end = min(start + rows_a_chunk, moments.size)
        first, last = np.searchsorted(row, (start, end))
        matrix = np.full((end - start, len(columns)), np.nan)
        matrix[row[first:last] - start, column[first:last]] = values[first:last]
        yield moments[start:end], matrix


def _write_csv(data: SessionData, path: Path, layout: Layout) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        write = csv.writer(file, lineterminator="\r\n")
        if layout == "wide":
            write.writerow(["at_s", *(safe_cell(h) for h in _headings(_columns(data)))])
            for moments, matrix in _wide_chunks(data):
                write.writerows(
                    [f"{at:.6f}", *("" if v != v else repr(v) for v in values)]
                    for at, values in zip(moments.tolist(), matrix.tolist(), strict=True)
                )
            return
        write.writerow(["at_s", "source", "signal", "value", "unit"])
        units = {name: safe_cell(_unit(name)) for name in data.signals()}
        for chunk in _long_chunks(data):
            write.writerows(
                [f"{at:.6f}", safe_cell(source), safe_cell(name), "" if v != v else repr(v), unit]
                for at, source, name, v, unit in zip(
                    chunk["at_s"].tolist(),
                    chunk["source"].tolist(),
                    chunk["signal"].tolist(),
                    chunk["value"].tolist(),
                    [units[name] for name in chunk["signal"].tolist()],
                    strict=True,
                )
            )


def _long_chunks(data: SessionData) -> Iterator[pd.DataFrame]:
    for start in range(0, len(data.readings), CHUNK_ROWS):
        yield data.readings.iloc[start : start + CHUNK_ROWS]


def _need(module: str, extra: str, what: str) -> ModuleType:
    try:
        return importlib.import_module(module)
    except ImportError:
        raise AnalysisError(
            f"{what} needs the extra “{extra}”, which is not installed",
            hint=f'install it with: python -m pip install "obdlog[{extra}]"',
        ) from None


def _write_parquet(data: SessionData, path: Path, layout: Layout) -> None:
    arrow: Any = _need("pyarrow", "parquet", "writing Parquet")
    parquet: Any = _need("pyarrow.parquet", "parquet", "writing Parquet")
    # Unit and label travel with each column or, in the long form, in the file's own metadata.
    notes = {"session": data.path.name, "started": str(data.header.get("started", ""))}
    if layout == "wide":
        columns = _columns(data)
        fields = [
            arrow.field(heading, arrow.float64(), metadata={"unit": _unit(name), "source": source})
            for heading, (name, source) in zip(_headings(columns), columns, strict=True)
        ]
        schema = arrow.schema([arrow.field("at_s", arrow.float64()), *fields], metadata=notes)
        with parquet.ParquetWriter(path, schema) as writer:
            for moments, matrix in _wide_chunks(data):
                arrays = [arrow.array(moments)]
                arrays += [arrow.array(column, from_pandas=True) for column in matrix.T]
                writer.write_table(arrow.Table.from_arrays(arrays, schema=schema))
        return
    text = arrow.dictionary(arrow.int32(), arrow.string())
    notes |= {f"unit.{name}": _unit(name) for name in data.signals()}
    schema = arrow.schema(
        [("at_s", arrow.float64()), ("source", text), ("signal", text), ("value", arrow.float64())],
        metadata=notes,
    )
    with parquet.ParquetWriter(path, schema) as writer:
        for chunk in _long_chunks(data):
            table = arrow.Table.from_arrays(
                [
                    arrow.array(chunk["at_s"].to_numpy()),
                    arrow.array(chunk["source"].astype(str).tolist()).dictionary_encode(),
                    arrow.array(chunk["signal"].astype(str).tolist()).dictionary_encode(),
                    arrow.array(chunk["value"].to_numpy(), from_pandas=True),
                ],
                schema=schema,
            )
            writer.write_table(table)


def _write_mdf(data: SessionData, path: Path, layout: Layout) -> None:  # noqa: ARG001 - one form
    asammdf: Any = _need("asammdf", "mdf", "writing MDF 4")
    # The library chooses the file's name from its suffix; ours is a temporary one.
    draft = path.with_name(path.name + ".mf4")
    several = {name for name in data.signals() if len(data.sources(name)) > 1}
    try:
        with asammdf.MDF(version="4.10") as mdf:
            for name, source in _columns(data):
                samples = data.samples(name, source)
                if not samples.count:
                    continue
                channel = asammdf.Signal(
                    samples=samples.value,
                    timestamps=samples.at_s,
                    name=f"{name}.{source}" if name in several else name,
                    unit=_unit(name),
                    comment=label_of(name),
                )
                mdf.append(channel, comment=f"reported by {source}")
            mdf.save(draft, overwrite=True)
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
