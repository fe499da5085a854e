"""``obdlog explain``."""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from obdlog.cli import screen
from obdlog.cli.options import JsonOption

if TYPE_CHECKING:
    from obdlog.codes.explanation import Explanation, Watch

MOST_SIGNALS = 6
"""Signals that are shown with what is expected of them; the others by name."""
LEAST_BESIDE = 30
"""Columns that a text needs to stand beside its name; narrower screens put it below."""


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


def _show(found: Explanation) -> None:
    width = screen.console().width
    is_code = found.kind == "code"
    title = f"{found.name} · {found.title}" if is_code else found.title
    screen.heading("\n".join(_wrapped(title, width)))
    facts = _facts(found.facts, width)
    for part in (
        _wrapped(found.meaning, width),
        () if is_code else facts,
        _list("Caution", (found.safety,), width),
        _list("Driving", (found.driving,), width),
        _list("Likely causes, the likeliest first", found.causes, width, numbered=True),
        _list("What to measure", (found.measure,), width),
        _signals(found, width),
        _proof(found, width),
        ("",) if is_code else (),
        facts if is_code else (),
    ):
        for line in part:
            screen.say(line)


def _facts(facts: Iterable[tuple[str, str]], width: int) -> Iterator[str]:
    """Yield name and text side by side, or below each other where there is no room."""
    pairs = [(name[:1].upper() + name[1:], screen.plain(text)) for name, text in facts]
    column = max((len(name) for name, _ in pairs), default=0) + 2
    beside = width - column >= LEAST_BESIDE
    for name, text in pairs:
        if beside:
            yield from textwrap.wrap(
                text, width, initial_indent=f"{name:<{column}}", subsequent_indent=" " * column
            )
        else:
            yield name
            yield from _wrapped(text, width, "  ")


def _list(title: str, items: Iterable[str], width: int, *, numbered: bool = False) -> Iterator[str]:
    shown = [screen.plain(item if numbered else _sentence(item)) for item in items if item]
    if not shown:
        return
    yield f"\n{title}"
    for number, item in enumerate(shown, start=1):
        mark = f"  {number}. " if numbered and len(shown) > 1 else "  "
        yield from textwrap.wrap(
            item, width, initial_indent=mark, subsequent_indent=" " * len(mark)
        )


def _signals(found: Explanation, width: int) -> Iterator[str]:
    """Yield the related signals with PID, what to expect, and what the ends of the range mean."""
    if found.kind == "signal":
        yield from _list("Related signals", (", ".join(found.related),), width)
        return
    if found.watch:
        yield "\nRelated signals"
    for watch in found.watch[:MOST_SIGNALS]:
        name = screen.plain(f"{watch.signal} (PID {watch.pid}): {watch.label}")
        yield from textwrap.wrap(name, width, initial_indent="  ", subsequent_indent=" " * 4)
        yield from (line for text in _expected(watch) for line in _wrapped(text, width, "      "))
    if further := [watch.signal for watch in found.watch[MOST_SIGNALS:]]:
        yield from _wrapped(f"and {', '.join(further)}", width, "  ")


def _expected(watch: Watch) -> Iterator[str]:
    if watch.expected:
        yield f"expected {watch.expected}"
    elif watch.low is not None and watch.high is not None:
        low, high = (f"{value:.6g}".replace("-", "−") for value in (watch.low, watch.high))
        yield f"can say {low} to {high} {watch.unit}".rstrip()
    yield from (f"{end.reading}: {end.meaning}" for end in watch.at_its_end)


def _proof(found: Explanation, width: int) -> Iterator[str]:
    """Yield when the code would return and which monitor must run again."""
    told = [found.returns] if found.returns else []
    told += [f"{m.title} must run again and pass. {m.completes}" for m in found.monitors]
    yield from _list("Is it repaired?", (*told, found.proof), width)


def _sentence(text: str) -> str:
    begun = text[:1].upper() + text[1:]
    return begun if begun.endswith((".", "?")) else f"{begun}."


def _wrapped(text: str, width: int, indent: str = "") -> list[str]:
    return textwrap.wrap(screen.plain(text), width, initial_indent=indent, subsequent_indent=indent)
