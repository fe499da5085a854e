"""TOML files that people write: bounded, and whatever is wrong with one is an error of ours."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from obdlog.errors import InputFileError
from obdlog.session.format import printable

LARGEST_BYTES = 1_000_000
"""No file that a person writes comes near it."""

_LONGEST_REASON = 200


def load_toml(path: Path, what: str, *, may_be_missing: bool = False) -> dict[str, Any]:
    """Return what the TOML file at `path` holds.

    Parameters
    ----------
    what
        The file's kind, for the sentence about one that is too large.
    may_be_missing
        Where there is no such file, return nothing instead of raising.

    Raises
    ------
    InputFileError
        It cannot be read, is too large, no UTF-8 text, or no TOML.
    """
    try:
        text = read_text(path, what)
    except InputFileError as error:
        if may_be_missing and isinstance(error.__cause__, FileNotFoundError):
            return {}
        raise
    return parse_toml(path, text)


def read_text(path: Path, what: str) -> str:
    """Return the text of the file at `path`, lines ending in a bare line feed.

    A byte order mark, which some editors write, is left out. Parameters and errors as `load_toml`.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise InputFileError(
            f"{path} cannot be read: {error.strerror or error}", path=path
        ) from error
    if len(raw) > LARGEST_BYTES:
        raise InputFileError(f"{path} is larger than any {what} should be", path=path)
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise InputFileError(f"{path} is not UTF-8 text", path=path) from error


def parse_toml(path: Path, text: str) -> dict[str, Any]:
    """Return what the TOML `text` holds; `path` is for the error.

    Raises
    ------
    InputFileError
        It is no TOML, nested too deep, or holds a number with more digits than Python takes.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        reason = printable(str(error), _LONGEST_REASON)
        raise InputFileError(f"{path} is not valid TOML: {reason}", path=path) from error
