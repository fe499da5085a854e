"""The rules of judgement as a page of documentation: ``python -m obdlog.codes.rules_document``."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Final

from obdlog.codes.conditions import CONDITIONS
from obdlog.codes.judge import load_rules
from obdlog.tables.document import table

_INTRODUCTION: Final = """\
# How codes are judged

Generated from `obdlog/tables/judgement_rules.toml` by `python -m obdlog.codes.rules_document`; a
test keeps it in step. Sources are keys of [references.md](references.md); what has none says so.

A judgement is a screening from what is known: the codes with their status, the live readings, the
freeze frame, the supply voltage and what was stated as unplugged or replaced. It never says that a
part is faulty. The first rule whose every condition holds decides.

| Judgement | Means |
| --- | --- |
| fault | nothing known explains it away, or something proves it |
| after-effect | consistent with work that was done; proven only when it stays away |
| follow-on | another code that is here commonly causes it: that one first |
| past | remembered, not present |
| undecided | not enough is known, and the reason says what would decide |
"""


def rules_page() -> str:
    """Return docs/judgement.md: every rule in order, every condition, every limit, all cautions."""
    rules = load_rules()
    return "\n".join(
        (
            _INTRODUCTION,
            "## Rules, in order\n",
            table(
                ("Rule", "Judgement", "When", "Reason given", "Source"),
                (
                    (
                        rule.id,
                        rule.judgement,
                        ", ".join(rule.when) or "always",
                        rule.because.format_map(_Braces(rules.sentences)),
                        rule.source,
                    )
                    for rule in rules.rules
                ),
            ),
            "## Conditions\n",
            table(("Condition", "Holds"), ((name, _said(one)) for name, one in CONDITIONS.items())),
            "## Limits\n",
            table(("Limit", "Value"), ((n, f"{value:g}") for n, value in rules.limits.items())),
            "## Cautions, by code\n",
            table(("Codes", "Caution"), ((" ".join(c), text) for c, text in rules.cautions)),
        )
    )


class _Braces(dict[str, str]):
    """Leave what a condition will fill as an ellipsis."""

    def __missing__(self, name: str) -> str:
        return "" if name in ("although", "now") else "…"


def _said(condition: Callable[..., object]) -> str:
    """Return the first line of a condition's docstring, as one says it."""
    first = (condition.__doc__ or "").strip().splitlines()[0]
    return first.removeprefix("Hold ").removesuffix(".")


if __name__ == "__main__":
    sys.stdout.buffer.write(rules_page().encode())
