"""The conditions that rules of judgement name.

Each takes a `Case` and returns None where it does not hold, else what it found for the braces of
the rule's sentence (often nothing).
"""

from __future__ import annotations

from obdlog.codes import (
    neighbour_conditions,
    reading_conditions,
    status_conditions,
    work_conditions,
)
from obdlog.codes.found import Condition

CONDITIONS: dict[str, Condition] = {
    **status_conditions.CONDITIONS,
    **reading_conditions.CONDITIONS,
    **work_conditions.CONDITIONS,
    **neighbour_conditions.CONDITIONS,
}
"""Conditions by the name that `judgement_rules.toml` uses."""
