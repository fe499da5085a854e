"""Strict reading of the CSV tables that ship with the package."""

from __future__ import annotations

import csv
import io
import pkgutil
import re
from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import lru_cache
from typing import Final, NamedTuple

from obdlog.errors import TableError
from obdlog.units import check_unit

_EXACT: Final = re.compile(r"-?[0-9]{1,20}(?:\.[0-9]{1,20}|/0*[1-9][0-9]{0,19})?")


class Row(NamedTuple):
    """One line of a table: where it stands and its cells by column.

    What reads a cell raises `TableError`, with file and line, where the cell says anything else.
    """

    file: str
    line: int
    cells: dict[str, str]

    def error(self, message: str) -> TableError:
        """Return the error that names this row."""
        return TableError(message, file=self.file, line=self.line)

    def whole(self, column: str, base: int = 10) -> int:
        """Return a cell of digits as a whole number."""
        text = self.cells[column]
        try:
            # isalnum keeps out the signs, blanks and underscores that int() would take.
            return int(text, base) if text.isascii() and text.isalnum() else int("")
        except ValueError:
            raise self.error(f"{column}: {text!r} is not a number") from None

    def fraction(self, column: str, default: str = "") -> Fraction:
        """Return a cell as an exact fraction, written ``5``, ``0.25`` or ``100/255``."""
        text = self.cells[column] or default
        try:
            return exact(text)
        except ValueError:
            raise self.error(f"{column}: {text!r} is not a fraction") from None

    def yes(self, column: str) -> bool:
        """Return whether a cell says ``yes``; it may only say that or ``no``."""
        if self.cells[column] not in ("yes", "no"):
            raise self.error(f"{column} is neither yes nor no")
        return self.cells[column] == "yes"

    def unit(self, column: str = "unit") -> str:
        """Return a cell as a unit that `obdlog.units` knows."""
        try:
            return check_unit(self.cells[column])
        except ValueError as error:
            raise self.error(str(error)) from None

    def need(self, *columns: str) -> None:
        """Raise TableError unless each of these cells says something."""
        for column in columns:
            if not self.cells[column]:
                raise self.error(f"{column} is empty")


@lru_cache(maxsize=512)
def exact(text: str) -> Fraction:
    """Return the fraction of a text such as ``5``, ``-0.25`` or ``100/255``.

    Raises
    ------
    ValueError
        The text has another form (exponents among them: they can be costly) or divides by zero.
    """
    if not _EXACT.fullmatch(text):
        raise ValueError(f"{text!r} is not a fraction")
    return Fraction(text)


def package_text(file: str) -> str:
    """Return the text of a table of this package.

    Raises
    ------
    TableError
        The package was installed without it.
    """
    # Not importlib.resources: importing that costs more than reading most tables.
    data = pkgutil.get_data(__package__, file)
    if data is None:
        raise TableError("cannot be read where this package is installed", file=file)
    return data.decode("utf-8")


def read_rows(text: str, columns: Sequence[str], file: str, *, skipped: int = 0) -> Iterator[Row]:
    """Yield the rows of a table whose header must be exactly `columns`.

    `skipped` lines were left out behind the header: a row's line is the one in the whole file.

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
                    f"{len(cells)} cells, expected {len(header)}",
                    file=file,
                    line=reader.line_num + skipped,
                )
            yield Row(file, reader.line_num + skipped, dict(zip(header, cells, strict=True)))
    except csv.Error as error:
        raise TableError(str(error), file=file, line=reader.line_num + skipped) from None
