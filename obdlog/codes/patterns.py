"""Patterns of trouble codes: ``P030?`` and ``U01[0-2]?`` stand for the codes that fit them."""

from __future__ import annotations

import re
from functools import lru_cache
from math import prod
from typing import Final

_HEX: Final = "0123456789ABCDEF"
_PART: Final = re.compile(r"\[[^]]*\]|.")
_RANGE: Final = re.compile(r"([0-9A-F])(?:-([0-9A-F]))?")


@lru_cache(maxsize=1 << 16)
def matches(code: str, patterns: tuple[str, ...]) -> bool:
    """Return whether `code` fits one of `patterns` (``?`` and ``[0-5]`` stand for a digit)."""
    # Not fnmatch: compiling hundreds of patterns costs more than reading the tables.
    return any(fits(code, pattern) for pattern in patterns)


def fits(code: str, pattern: str) -> bool:
    """Return whether `code` fits one pattern."""
    places = _places_of(pattern)
    for character, place in zip(code, places, strict=False):
        if character not in place:
            return False
    return len(code) == len(places)


@lru_cache(maxsize=1 << 12)
def _places_of(pattern: str) -> tuple[str, ...]:
    """Return what may stand at each place of a pattern of codes."""
    return tuple(
        _HEX if part == "?" else _range(part) if part[0] == "[" else part
        for part in _PART.findall(pattern)
    )


def _range(part: str) -> str:
    """Return the characters of ``[0-58A]``."""
    return "".join(
        _HEX[_HEX.index(first) : _HEX.index(last or first) + 1]
        for first, last in _RANGE.findall(part[1:-1])
    )


def breadth(pattern: str) -> int:
    """Return how many numbers fit a pattern of codes."""
    return prod(map(len, _places_of(pattern)))


def span(pattern: str) -> tuple[str, str]:
    """Return the lowest and the highest code that fit a pattern."""
    places = _places_of(pattern)
    return "".join(map(min, places)), "".join(map(max, places))
