"""What comparisons with other libraries share: differences, data, words, roundings."""

from __future__ import annotations

import random
import re
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

PRINTED = {0.0000305: 2 / 65536, 0.000122: 8 / 65536, 0.0039062: 1 / 256, 0.00024414: 16 / 65536}
"""Scales that Scapy prints rounded, and what they stand for (SAE-J1979, from memory)."""

UNITS = {"deg. C": "°C", "deg.": "°", "rpm": "min-1", "KHz": "kHz", "sec": "s"}
"""What Scapy's units are called here."""

PLAIN_UNITS = {"ratio", "count", "lambda", "A/F ratio", "true/false"}
"""Units that stand for a plain number; Scapy names none of them."""


class Difference(NamedTuple):
    """What a library says of an item, and what we say, for the same bytes."""

    service: str
    id: str
    item: str
    data: str
    theirs: str
    ours: str


def patterns(size: int, seed: str) -> Iterator[bytes]:
    """Yield extremes, middles, one count of bytes and eight random rows of `size` bytes."""
    for filler in (0x00, 0xFF, 0x80, 0x7F, 0x01, 0x55):
        yield bytes([filler]) * size
        yield (b"\xff" + bytes([filler]) * size)[:size]
    yield bytes(range(1, size + 1))
    source = random.Random(seed)
    yield from (source.randbytes(size) for _ in range(8))


def first_by_item(differences: Iterable[Difference]) -> list[Difference]:
    """Return one difference, the first, of every item."""
    found: dict[tuple[str, str, str], Difference] = {}
    for difference in differences:
        found.setdefault(difference[:3], difference)
    return sorted(found.values())


def is_near(value: float, own: float, field: Any) -> bool:
    """Return whether a value of Scapy's is ours but for its rounding and its printed scale."""
    raw = (value - field.offset) / field.scaling
    scale = abs(raw * (PRINTED.get(field.scaling, field.scaling) - field.scaling))
    return bool(abs(value - own) <= 0.5001 * 10**-field.ndigits + scale + 1e-9 * abs(own))


def same_unit(theirs: str, ours: str) -> bool:
    """Return whether a unit of Scapy's is ours."""
    return UNITS.get(theirs, theirs) == ours or (not theirs and ours in PLAIN_UNITS)


CALLED = {
    "engine load": "load", "fuel cut": "overrun", "system failure": "system fault",
    "catalytic converter": "catalyst", "pump commanded": "on for diagnosis", "outside ": "",
    "on-board diagnostics": "", "harmonized": "harmonised", "euro obd stage": "stage",
    "obd phase": "phase", "korean obd": "korea", "india obd": "india", "(europe)": "",
    "(japan)": "", "heavy duty vehicles": "heavy duty", "euro eev": "eev", "bifuel": "bi fuel",
    "running electricity": "electricity", "running electric": "electricity",
    "evap monitor": "evaporative system", "purge flow": "evaporative system purge flow",
    "egr": "exhaust gas recirculation", "vvt": "valve timing", "pm filter": "particulate filter",
    "nox adsorber": "nox storage catalyst", "general data": "all cylinders",
    "minimum": "lowest", "maximum": "highest", "calculation": "",
}  # fmt: skip
"""What Scapy's texts are called in ours."""

SILENT = {
    "a", "and", "by", "data", "defined", "due", "for", "in", "monitor", "of", "or", "running",
    "sensor", "the", "tid", "with",
}  # fmt: skip


def words(text: str) -> set[str]:
    """Return the words of a text that carry a meaning."""
    return {w.rstrip("s") for w in re.findall(r"[a-z0-9.]+", text.lower())} - SILENT


def same_words(theirs: str, ours: str) -> bool:
    """Return whether each word of theirs, or what it is called here, stands in ours."""
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", theirs).lower()
    for word, own in CALLED.items():
        text = text.replace(word, own)
    return bool(words(text)) and words(text) <= words(ours)


def code_text(code: Any) -> str:
    digits = f"{code.code1:X}{code.code2:X}{code.code3:X}{code.code4:X}"
    return f"{'PCBU'[code.location]}{digits}"
