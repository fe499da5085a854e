"""Runs the checks over a session."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from analysis.checks.base import Check, Job
from analysis.checks.registry import all_checks
from analysis.data import SessionData
from analysis.facts import VehicleFacts
from analysis.findings import Finding
from obdlog.errors import AnalysisError


def run_checks(
    data: SessionData,
    facts: VehicleFacts | None = None,
    overrides: Mapping[str, Any] | None = None,
) -> list[Finding]:
    """Return the findings of every check, at least one each, in the registry's order.

    Parameters
    ----------
    facts
        What is known of the vehicle; read from the session when left out.
    overrides
        The user's own expected ranges: check name to a table of ``low``, ``high`` (one may be
        missing) and ``source``.

    Raises
    ------
    AnalysisError
        When an override names no check or is no range.
    """
    job = Job(data, facts or VehicleFacts.from_session(data))
    return [
        finding for check in with_overrides(all_checks(), overrides) for finding in check.run(job)
    ]


def with_overrides(
    checks: tuple[Check, ...], overrides: Mapping[str, Any] | None
) -> tuple[Check, ...]:
    """Return `checks` with the user's own ranges in place; see `run_checks`."""
    own = dict(overrides or {})
    unknown = own.keys() - {check.name for check in checks}
    if unknown:
        raise AnalysisError(
            f"a range is given for {', '.join(map(repr, sorted(unknown)))}, which is no check",
            hint="docs/checks.md lists the names",
        )
    return tuple(
        _overridden(check, own[check.name]) if check.name in own else check for check in checks
    )


def _overridden(check: Check, table: Any) -> Check:
    if not isinstance(table, Mapping) or not table.keys() & {"low", "high"}:
        raise AnalysisError(f"the range of {check.name} needs low, high, or both")
    extra = table.keys() - {"low", "high", "source"}
    if extra:
        raise AnalysisError(f"the range of {check.name} has unknown {', '.join(sorted(extra))}")
    low = _limit(check, table, "low", -math.inf)
    high = _limit(check, table, "high", math.inf)
    if low > high:
        raise AnalysisError(f"the range of {check.name} has its low above its high")
    source = table.get("source", "stated by the user")
    if not isinstance(source, str):
        raise AnalysisError(f"the source of {check.name} must be text")
    return check.expecting(low, high, source)


def _limit(check: Check, table: Mapping[str, Any], side: str, otherwise: float) -> float:
    value = table.get(side, otherwise)
    if not isinstance(value, (int, float)) or isinstance(value, bool) or math.isnan(value):
        raise AnalysisError(f"the {side} of {check.name} must be a number")
    return float(value)
