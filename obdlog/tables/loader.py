"""Strict reading of the CSV tables that ship with the package."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from fractions import Fraction
from importlib import resources
from typing import NamedTuple

from obdlog.errors import TableError


class Row(NamedTuple):
    """One line of a table: where it stands and its cells by column."""

    file: str
    line: int
    cells: dict[str, str]

    def error(self, message: str) -> TableError:
        """Return the error that names this row."""
        return TableError(message, file=self.file, line=self.line)

    def whole(self, column: str, base: int = 10) -> int:
        """Return a cell as a whole number."""
        try:
            return int(self.cells[column], base)
        except ValueError:
            raise self.error(f"{column}: {self.cells[column]!r} is not a number") from None

    def fraction(self, column: str, default: str = "") -> Fraction:
        """Return a cell as an exact fraction, written ``5``, ``0.25`` or ``100/255``."""
        text = self.cells[column] or default
        try:
            return Fraction(text)
        except (ValueError, ZeroDivisionError):
            raise self.error(f"{column}: {text!r} is not a fraction") from None


def package_text(file: str) -> str:
    """Return the text of a table of this package."""
    return resources.files(__package__).joinpath(file).read_text(encoding="utf-8")


def read_rows(text: str, columns: Sequence[str], file: str) -> Iterator[Row]:
    """Yield the rows of a table whose header must be exactly `columns`.

    Raises
    ------
    TableError
        The header differs, or a row has too few or too many cells.
    """
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = next(reader, [])
        unknown = [name for name in header if name not in columns]
        missing = [name for name in columns if name not in header]
        if unknown or missing or len(header) != len(columns):
            faults = [f"unknown column {name!r}" for name in unknown]
            faults += [f"missing column {name!r}" for name in missing]
            raise TableError("; ".join(faults) or "a column stands twice", file=file, line=1)
        for cells in reader:
            if len(cells) != len(header):
                raise TableError(
                    f"{len(cells)} cells, expected {len(header)}", file=file, line=reader.line_num
                )
            yield Row(file, reader.line_num, dict(zip(header, cells, strict=True)))
    except csv.Error as error:
        raise TableError(str(error), file=file, line=reader.line_num) from None
