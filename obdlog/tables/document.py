"""The signal table as a page of documentation: ``python -m obdlog.tables.document``."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final

from obdlog.tables import info_types, oxygen_scales
from obdlog.tables.loader import package_text, read_rows
from obdlog.tables.lookups import all_lookups
from obdlog.tables.signals import Signal, all_signals
from obdlog.tables.uasid import all_scalings
from obdlog.units import UNITS, convert, shown

_INTRODUCTION: Final = """\
# Signals

Generated from the tables in `obdlog/tables/` by `python -m obdlog.tables.document`; a test keeps
it in step. Sources are the keys of [references.md](references.md); `checked` names what each row
was compared with, or says "from memory".

In a formula `A`, `B` … are the data bytes after the PID, `AB` is 256·A + B, `B.4` is bit 4 of
byte B (bit 0 is the lowest) and `A.0–6` its bits 0 to 6; "signed" is two's complement. A value is
"not available" when its support bit is clear or its bits hold the stated code. "Scale byte"
names a byte of another PID which, when it is not zero, replaces the scale.
"""

_SIGNAL_HEAD: Final = (
    "PID", "Signal", "Meaning", "Bytes", "Formula", "Unit", "Range", "Conditions and notes",
    "Source", "Checked",
)  # fmt: skip


_LONGEST_NUMBER: Final = 32


def signals_page() -> str:
    """Return docs/signals.md: signals, closed lists, test scalings, information types, units."""
    parts = [
        _INTRODUCTION,
        "## Current data and freeze frames (services 01 and 02)\n",
        table(_SIGNAL_HEAD, (_signal_cells(signal) for signal in all_signals())),
        "## Closed lists\n",
    ]
    for name, texts in all_lookups().items():
        cells = ((f"{raw:02X}", text) for raw, text in texts.items())
        parts += [f"### {name}\n", table(("Code", "Text"), cells)]
    parts += [
        "## Scales of on-board test results (service 06 on CAN)\n",
        "Results and limits are 16 bits, from identifier 80 in two's complement.\n",
        table(("Identifier", "Formula", "Unit", "Source", "Checked"), _scaling_rows()),
        "## Scales of oxygen sensor tests (service 05 on the older buses)\n",
        "A constant is what the module works with, not what it measured.\n",
        _as_it_stands(oxygen_scales.FILE, oxygen_scales.COLUMNS),
        "## Information types (service 09)\n",
        _as_it_stands(info_types.TYPES_FILE, info_types.TYPE_COLUMNS),
        "### In-use counters\n",
        _as_it_stands(info_types.COUNTERS_FILE, info_types.COUNTER_COLUMNS),
        "### Names of modules\n",
        "A module's own name is its acronym (or stem and a number from 1 to 8), a dash and the "
        "name.\n",
        _as_it_stands(info_types.NAMES_FILE, info_types.NAME_COLUMNS),
        "## Units\n",
        "All that a table may state, how people see it, and what `--units imperial` makes of it.\n",
        table(("Unit", "Shown", "Imperial"), _unit_rows()),
    ]
    return "\n".join(parts)


def place_text(signal: Signal) -> str:
    """Return where a signal's bits stand: ``AB``, ``B.4`` or ``A.0–6``."""
    if signal.width > _LONGEST_NUMBER:
        return f"{_letters(signal.byte)}–{_letters(signal.byte + signal.span - 1)}"
    if signal.width >= 8:
        letters = [_letters(signal.byte + n) for n in range(signal.span)]
        # Two letters a byte would run into one another: "Z AA AB AC".
        return (" " if len(letters[-1]) > 1 else "").join(letters)
    first = f"{_letters(signal.byte)}.{signal.bit}"
    return first if signal.width == 1 else f"{first}–{signal.bit + signal.width - 1}"


def formula_text(signal: Signal) -> str:
    """Return how a signal's value follows from its bits."""
    place = place_text(signal)
    match signal.codec:
        case "number":
            return _linear(place, signal.scale, signal.offset)
        case "signed":
            return _linear(f"signed({place})", signal.scale, signal.offset)
        case "flag":
            return f"{place} = 1"
        case "ready":
            return f"{place} = 0"
        case "enum":
            return f"{place} in list {signal.lookup}"
        case "flags" | "set":
            return f"bits of {place} in list {signal.lookup}"
        case "bitmap":
            return f"bits of {place}, highest first"
        case "raw":
            return f"bytes {place} as they are"
    return f"trouble code in {place}"


def _signal_cells(signal: Signal) -> tuple[str, ...]:
    return (
        f"{signal.pid:02X}",
        signal.name,
        signal.label,
        " or ".join(str(n) for n in signal.lengths),
        formula_text(signal),
        signal.unit,
        _range_text(signal),
        _conditions_text(signal),
        signal.source,
        signal.checked,
    )


def _range_text(signal: Signal) -> str:
    if signal.low is None or signal.high is None:
        return ""
    return f"{signal.low:.10g} … {signal.high:.10g}"


def _conditions_text(signal: Signal) -> str:
    parts = []
    if signal.when is not None:
        parts.append(f"only when {_bit_text(signal.when)} = {int(signal.when_set)}")
    if signal.support is not None:
        parts.append(f"supported by {_bit_text(signal.support)}")
    if signal.needs is not None:
        need = signal.needs
        parts.append(f"needs PID {need.pid:02X} {_letters(need.byte)} & {need.mask:02X}")
    if signal.absent:
        digits = (signal.width + 3) // 4
        codes = ", ".join(f"{raw:0{digits}X}" for raw in sorted(signal.absent))
        parts.append(f"{codes} = not available")
    if signal.override is not None:
        rule = signal.override
        offset = f" {_signed(rule.offset)}·m" if rule.offset else ""
        byte = f"PID {rule.pid:02X} {_letters(rule.byte)}"
        parts.append(f"scale byte m = {byte}: {place_text(signal)} × m × {rule.scale}{offset}")
    if signal.note:
        parts.append(signal.note)
    return "; ".join(parts)


def _scaling_rows() -> Iterator[tuple[str, ...]]:
    for number, scale in all_scalings().items():
        formula = _linear("signed(raw)" if scale.signed else "raw", scale.scale, scale.offset)
        yield f"{number:02X}", formula, scale.unit, scale.source, scale.checked


def _as_it_stands(file: str, columns: Sequence[str]) -> str:
    """Return a table of the package, cell by cell."""
    rows = (tuple(row.cells.values()) for row in read_rows(package_text(file), columns, file))
    return table([column.capitalize() for column in columns], rows)


def _unit_rows() -> Iterator[tuple[str, ...]]:
    for unit in sorted(UNITS - {""}):
        (zero, imperial), (one, _) = (convert(value, unit, "imperial") for value in (0.0, 1.0))
        offset = f" {_signed(Fraction(zero))}" if zero else ""
        rule = f"{imperial} = {shown(unit)} × {one - zero:.7g}{offset}"
        yield unit, shown(unit) or "(none)", rule if imperial != shown(unit) else ""


def _linear(raw: str, scale: Fraction, offset: Fraction) -> str:
    product = raw if scale == 1 else f"{raw} × {scale}"
    return f"{product} {_signed(offset)}" if offset else product


def _signed(number: Fraction) -> str:
    return f"{'−' if number < 0 else '+'} {abs(number)}"


def _bit_text(bit: tuple[int, int]) -> str:
    byte, mask = bit
    return f"{_letters(byte)}.{mask.bit_length() - 1}"


def _letters(byte: int) -> str:
    return chr(ord("A") + byte) if byte < 26 else f"A{chr(ord('A') + byte - 26)}"


def table(head: Sequence[str], rows: Iterator[tuple[str, ...]]) -> str:
    """Return a table of a Markdown page."""
    lines = [_line(head), _line(["---"] * len(head))]
    lines += [_line(cells) for cells in rows]
    return "\n".join(lines) + "\n"


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


if __name__ == "__main__":
    sys.stdout.buffer.write(signals_page().encode())
