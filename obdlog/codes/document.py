"""The code tables as a page of documentation: ``python -m obdlog.codes.document``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from itertools import groupby
from typing import Final

from obdlog.codes.data import CodeRow, codes, components, faults
from obdlog.codes.meaning import Definer, Family, failure_types, families, older_numbering
from obdlog.tables.code_text import code_number
from obdlog.tables.document import table

_INTRODUCTION: Final = """\
# Trouble codes

Generated from the tables in `obdlog/tables/` by `python -m obdlog.codes.document`; a test keeps
it in step. Sources are the keys of [references.md](references.md). Numbers, and the circuit that
each names, follow SAE-J2012 as public lists of generic codes state it; all wording is ours. A code
names a circuit or a system, not a part. A range without a row here, and every code that a maker
defines, has no meaning that this program would guess.

A meaning is put together from a circuit or system, its place and a kind of fault:
"Airflow meter (MAF), sensor A: signal or circuit voltage below its range".
"""


def codes_page() -> str:
    """Return docs/codes.md: families, every code, kinds of fault, circuits, failure types."""
    parts = [
        _INTRODUCTION,
        "## Families\n",
        table(
            ("Codes", "System", "Defined by", "Explained", "Note"),
            (
                (f"{one.prefix}…", one.name, one.definer, _explained(one), one.note)
                for one in families()
            ),
        ),
        f"## Codes with a meaning: {len(codes())}\n",
        "A question mark: no public list at hand names the code; it is from memory.\n",
        table(("Codes", "Circuit or system", "Kinds of fault, in order"), _runs()),
        "## Codes with an older numbering beside it\n",
        table(("Code", "By the older numbering"), iter(older_numbering().items())),
        "## Kinds of fault\n",
        "What holds for most circuits. Where one needs other words (a gearbox, an airbag, a fuel "
        "rail) `obdlog explain CODE` says them: `obdlog/tables/judgement_advice.toml`.\n",
        table(
            ("Kind", "Reads", "Likely causes, in order", "What to measure"),
            ((one.id, one.phrase, "; ".join(one.causes), one.measure) for one in faults().values()),
        ),
        "## Circuits, systems and modules\n",
        table(
            (
                "Name",
                "Reads",
                "Sort",
                "Signals",
                "Supply",
                "Shares a plug",
                "Commonly brings along",
            ),
            (
                (
                    one.id,
                    one.label,
                    one.kind,
                    " ".join(one.signals),
                    one.reference,
                    one.connector,
                    " ".join(one.leads_to),
                )
                for one in components().values()
            ),
        ),
        "## Failure types: the third byte of a code\n",
        table(
            ("Byte", "Reads", "Kind of fault", "Source", "Checked"),
            (
                (f"{n:02X}", one.phrase, one.fault, one.source, one.checked)
                for n, one in failure_types()
            ),
        ),
    ]
    return "\n".join(parts)


def _explained(family: Family) -> str:
    if family.definer is not Definer.STANDARD:
        return ""
    return str(sum(family.holds(code) for code in codes()))


def _runs() -> Iterator[tuple[str, ...]]:
    """Yield the codes with numbers in a row that share circuit and place."""
    ordered = enumerate(sorted(codes().values(), key=lambda row: code_number(row.code)))
    for _, group in groupby(ordered, key=lambda pair: _run_of(*pair)):
        rows = [row for _, row in group]
        first, last = rows[0], rows[-1]
        numbers = first.code if first is last else f"{first.code}–{last.code}"
        place = f", {first.place}" if first.place else ""
        yield numbers, first.component.label + place, " · ".join(map(_kind, rows))


def _kind(row: CodeRow) -> str:
    return row.fault.id if row.listed else f"{row.fault.id}?"


def _run_of(index: int, row: CodeRow) -> tuple[int, str, str]:
    return code_number(row.code) - index, row.component.id, row.place


if __name__ == "__main__":
    sys.stdout.buffer.write(codes_page().encode())
