"""``obdlog explain``."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.options import JsonOption

if TYPE_CHECKING:
    from obdlog.codes.explain import Explanation


def run(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="WHAT",
            help="Codes, signals, monitors or parts: P0102 ECT catalyst 'oxygen sensor heater'.",
        ),
    ],
    json: JsonOption = False,
) -> None:
    """Explain codes, signals, monitors and parts: meaning, causes in order, what to measure.

    With --json each is one object on a line of its own.
    """
    from obdlog.codes.explain import explain_all

    try:
        explanations = explain_all([word for text in what for word in text.split()])
    except ValueError as error:
        raise typer.BadParameter(screen.plain(error)) from None
    for explanation in explanations:
        if json:
            screen.print_json({"format": "obdlog.explanation/1", **dataclasses.asdict(explanation)})
        else:
            _show(explanation)


def _show(explanation: Explanation) -> None:
    screen.heading(screen.plain(explanation.title))
    screen.say(screen.plain(explanation.meaning))
    screen.facts({name.capitalize(): text for name, text in explanation.facts})
    for title, lines in (
        ("Likely causes, the likeliest first", explanation.causes),
        ("What to measure", (explanation.measure,)),
        ("Related signals", explanation.related),
        ("Safety", (explanation.safety,)),
    ):
        if any(lines):
            screen.say(f"\n{title}")
            screen.bullet(map(screen.plain, lines))
