"""``obdlog explain``."""

from __future__ import annotations

from typing import Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.options import JsonOption


def run(
    what: Annotated[
        list[str], typer.Argument(metavar="CODE|SIGNAL|MONITOR", help="For example P0102 or ECT.")
    ],
    json: JsonOption = False,
) -> None:
    """Explain a code, a signal or a monitor: meaning, causes in order, what to measure."""
    from obdlog.codes.explain import explain

    try:
        explanation = explain(" ".join(what))
    except ValueError as error:
        raise typer.BadParameter(screen.plain(error)) from None
    if json:
        screen.print_json({"format": "obdlog.explanation/1", **_document(explanation)})
        return
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


def _document(explanation: object) -> dict[str, object]:
    import dataclasses

    return dataclasses.asdict(explanation)  # type: ignore[call-overload, no-any-return]
