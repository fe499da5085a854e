"""``obdlog compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from obdlog.addresses import titled
from obdlog.cli import screen
from obdlog.cli.options import JsonOption

if TYPE_CHECKING:
    from analysis.compare import Comparison
    from analysis.compare.model import CodeChange

VERDICT = {
    "proven": "PROVEN by the evidence listed",
    "not-proven": "NOT PROVEN YET",
    "contradicted": "CONTRADICTED by the evidence",
}
TELLING = frozenset(
    {"confirmed", "pending", "permanent", "failing-now", "lamp-requested", "not-tested"}
)
MET = {True: "met", False: "NOT MET", None: "not known"}


def run(
    before: Annotated[
        Path, typer.Argument(metavar="CASE|BEFORE", help="A case folder, or the earlier session.")
    ],
    after: Annotated[
        Path | None, typer.Argument(metavar="AFTER", help="The later session or case folder.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Compare before and after: codes, readings, and whether the repair is proven.

    With a case folder, what lies before and after the work is told from its sessions.
    """
    comparison = comparison_of_case(before) if after is None else comparison_of(before, after)
    if json:
        screen.print_json(comparison.to_json())
    else:
        show(comparison)


def comparison_of_case(folder: Path) -> Comparison:
    """Return the comparison inside a case folder.

    Raises
    ------
    InputFileError
        It is no folder, holds no readable session, or nothing that was read afterwards.
    """
    from analysis.report.load import load_case
    from obdlog.errors import InputFileError

    if not folder.is_dir():
        raise InputFileError(
            f"{folder} is no case folder",
            path=folder,
            hint="Name a case folder, or two sessions: obdlog compare BEFORE AFTER",
        )
    material = load_case(folder)
    for warning in material.warnings:
        screen.tell(screen.plain(warning))
    if material.comparison is None:
        raise InputFileError(
            f"{folder} holds no reading after the work yet",
            path=folder,
            hint="Read the codes again with --case, or record the road test.",
        )
    return material.comparison


def comparison_of(before: Path, after: Path) -> Comparison:
    """Return the comparison of two sessions or case folders."""
    from analysis.report.load import compare_paths

    return compare_paths(before, after)


def show(comparison: Comparison, *, brief: bool = False) -> None:
    """Print a comparison: codes, readings, then the verdict on each item with its reasons.

    A `brief` one leaves out the requirements that are met.
    """
    from analysis.compare.model import Change

    _codes("Gone", comparison.of(Change.GONE))
    _codes("Erased, and listed only because the lamp waits", comparison.of(Change.LAMP_WAITS))
    _codes("Still there", comparison.of(Change.REMAINING))
    _codes("New", comparison.of(Change.NEW))
    _codes("Not read again (not known)", comparison.of(Change.NOT_READ_AGAIN))
    if comparison.signals:
        screen.print_table(
            ("Signal", "Condition", "Before", "After"),
            (
                (
                    s.label,
                    s.condition,
                    screen.value_text(s.before.mean, s.unit),
                    screen.value_text(s.after.mean, s.unit),
                )
                for s in comparison.signals
            ),
            title="Means of readings in the same condition",
        )
    for item in comparison.repair:
        screen.heading(f"{screen.plain(item.item)}: {VERDICT[item.verdict.value]}")
        if item.limit:
            screen.say(screen.plain(item.limit))
        shown = [r for r in item.requirements if not brief or r.met is not True]
        if len(shown) < len(item.requirements):
            met = len(item.requirements) - len(shown)
            screen.say(f"{met} of {len(item.requirements)} requirements met.")
        if shown:
            screen.print_table(
                ("Requirement", "Met", "Evidence"),
                ((r.text, MET[r.met], r.evidence) for r in shown),
            )
    if not comparison.repair:
        screen.say("No code and no work item to judge a repair by.")


def _codes(title: str, changes: tuple[CodeChange, ...]) -> None:
    if not changes:
        return
    screen.print_table(
        ("Code", "Module", "Meaning", "Before", "After"),
        (
            (
                f"{c.code}-{c.failure_type}" if c.failure_type else c.code,
                titled(c.module, c.address),
                c.meaning,
                _status(c.before),
                _status(c.after),
            )
            for c in changes
        ),
        title=title,
    )


def _status(words: tuple[str, ...]) -> str:
    """Return the telling part of a status; `codes` and JSON have every bit."""
    return ", ".join(word for word in words if word in TELLING or len(words) == 1) or "none"
