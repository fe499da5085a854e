"""``docs/checks.md`` from the checks themselves: ``python -m analysis.checks.document``."""

from __future__ import annotations

import math
import sys

from analysis.checks.base import Check
from analysis.checks.registry import all_checks
from analysis.condition_table import Condition, condition, conditions

_HEAD = """\
# Checks

Written by `python -m analysis.checks.document` from the checks themselves; a test keeps it in step.

`obdlog check` compares readings with the ranges below. They are screening ranges, not a vehicle's
specification: makers print that a healthy car may lie outside their own tables. So the outcome is
**inside**, **outside** or **not judged**, with the reason, and never that a part has failed. What a
reading outside suggests is listed by likelihood; what else moves it stands beside it.

Severity of a reading outside: *info*, *watch*, *attention*, and *stop* (do not drive on). Outside
the range but beyond none of the limits listed under severity is *info*.

A check looks only at readings taken under its driving condition, and judges only when there are
enough of them: 20 in one stretch unless it says otherwise. A range of your own goes into
`case.toml`, under the check's name:

```toml
[ranges.idle-speed]
low = 700
high = 780
source = "this car, measured when healthy"
```
"""


def build_document() -> str:
    """Return the text of ``docs/checks.md``."""
    parts = [_HEAD, "## Driving conditions\n"]
    parts.append("| name | meaning | at least | readings |\n| --- | --- | --- | --- |")
    parts += [_condition_row(item) for item in conditions().values()]
    parts.append(
        "\nLimits of the conditions are our own. Between two readings a signal is taken to keep its"
        " value for\nfive of its usual intervals, two seconds at least; beyond that the condition "
        "is not met.\n"
    )
    parts.append("## The checks\n")
    parts += [_section(check) for check in all_checks()]
    return "\n".join(parts)


def _condition_row(item: Condition) -> str:
    dwell = f"{item.dwell_s:g} s" if item.dwell_s else "a moment"
    return f"| {item.title} | {item.text} | {dwell} | {item.min_samples} |"


def _section(check: Check) -> str:
    when = " or ".join(condition(name).title for name in check.conditions) or "from a cold start"
    lines = [
        f"### {check.name}\n",
        f"**{check.title}.** {check.why}\n",
        f"- Reads: {', '.join(check.signals)}",
        f"- When: {when}" + (f"; {check.fuel} only" if check.fuel else ""),
        f"- Expected: {check.measure}: {check.range_text()}",
        f"- Severity: {_tiers(check)}",
    ]
    if check.min_samples is not None:
        lines.append(f"- Readings wanted: {check.min_samples} ({check.gate_reason})")
    lines.append(f"- Suggests: {'; '.join(check.suggests)}")
    lines.append(f"- Also moves it: {'; '.join(check.confounders)}")
    lines.append(f"- Source: {check.source}\n")
    return "\n".join(lines)


def _tiers(check: Check) -> str:
    texts = []
    for tier in check.tiers:
        sides = []
        if not math.isinf(tier.below):
            sides.append(f"below {check.text_of(tier.below)}")
        if not math.isinf(tier.above):
            sides.append(f"above {check.text_of(tier.above)}")
        texts.append(f"{tier.severity} {' or '.join(sides)}")
    return "; ".join(texts) or "info"


if __name__ == "__main__":
    sys.stdout.write(build_document())
