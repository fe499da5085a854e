"""``obdlog check``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from obdlog.cli import screen
from obdlog.cli.exits import ExitCode
from obdlog.cli.options import CaseOption, FailOnOutsideOption, JsonOption
from obdlog.cli.vehicle_options import (
    AltitudeOption,
    DisplacementOption,
    FuelOption,
    SessionArgument,
    drive_of,
    facts_for,
    vehicle_overrides,
)

if TYPE_CHECKING:
    from analysis.data import SessionData
    from analysis.findings import Finding
    from obdlog.case import CaseFacts

MOST_WARNINGS = 5
LIMITS = (
    "Screening ranges, not this vehicle's specification: outside means look closer, not that a "
    "part has failed."
)


def run(
    session: SessionArgument,
    fuel: FuelOption = None,
    displacement: DisplacementOption = None,
    altitude: AltitudeOption = None,
    case: CaseOption = None,
    json: JsonOption = False,
    all_: Annotated[
        bool, typer.Option("--all", help="Also list what could not be judged, with the reason.")
    ] = False,
    fail_on: FailOnOutsideOption = None,
) -> None:
    """Check a session's readings against expected ranges and physics, each with its source."""
    from analysis.findings import Verdict, findings_json

    facts = facts_for(session, case)
    findings = findings_of(
        session, facts, vehicle_overrides(facts, fuel, displacement, altitude), tell=screen.tell
    )
    if json:
        screen.print_json(findings_json(findings))
    else:
        show(findings, with_reasons=all_)
    outside = any(f.verdict is Verdict.OUTSIDE for f in findings)
    if fail_on and outside:
        raise typer.Exit(ExitCode.FOUND)


def findings_of(
    session: Path,
    facts: CaseFacts | None = None,
    vehicle: dict[str, Any] | None = None,
    tell: Callable[[str], None] | None = None,
) -> list[Finding]:
    """Return the findings on a session, or on the last road test of a case folder.

    Parameters
    ----------
    facts
        Case facts, by default those of the session's folder.
    vehicle
        Vehicle facts, by default those of the case.
    tell
        Called with what could not be read.
    """
    from analysis.load import load

    facts = facts if facts is not None else facts_for(session, None)
    data = load(drive_of(session))
    for warning in data.warnings[:MOST_WARNINGS]:
        if tell:
            tell(screen.plain(warning))
    return findings_on(data, facts, vehicle if vehicle is not None else vehicle_overrides(facts))


def findings_on(data: SessionData, facts: CaseFacts, vehicle: dict[str, Any]) -> list[Finding]:
    """Return the findings on a loaded session with the facts of its case and vehicle."""
    from analysis.checks import run_checks
    from analysis.facts import VehicleFacts

    return run_checks(data, VehicleFacts.from_session(data, vehicle), overrides=facts.ranges)


def show(findings: list[Finding], *, with_reasons: bool = False) -> None:
    """Print findings: what is outside first, with evidence, source and what it suggests."""
    from analysis.condition_table import condition_title
    from analysis.findings import Severity, Verdict

    outside = [f for f in findings if f.verdict is Verdict.OUTSIDE]
    notes = [f for f in outside if f.severity is Severity.INFO]
    inside = [f for f in findings if f.verdict is Verdict.INSIDE]
    unjudged = [f for f in findings if f.verdict is Verdict.NOT_JUDGED]
    order = list(Severity)
    for finding in sorted(outside, key=lambda f: -order.index(f.severity)):
        if finding not in notes:
            _show_outside(finding)
    if inside:
        screen.print_table(
            ("Inside", "Condition", "Measured", "Expected", "Evidence"),
            (
                (f.title, condition_title(f.condition), _measured(f), _expected(f), _evidence(f))
                for f in inside
            ),
        )
    for finding in notes:
        screen.say(f"Note: {screen.plain(finding.title)}: {screen.plain(finding.because)}")
        if finding.suggests:
            screen.say(f"  Consistent with: {'; '.join(finding.suggests)}")
    if with_reasons and unjudged:
        screen.print_table(("Not judged", "Why"), ((f.title, f.because) for f in unjudged))
    screen.say(
        f"{len(outside) - len(notes)} outside, {len(notes)} to note, {len(inside)} inside, "
        f"{len(unjudged)} not judged"
        + ("." if with_reasons or not unjudged else " (--all says why).")
    )
    screen.say(LIMITS)


def _show_outside(finding: Finding) -> None:
    from analysis.condition_table import condition_title

    screen.heading(f"OUTSIDE ({finding.severity.value}): {screen.plain(finding.title)}")
    screen.facts(
        {
            "  Measured": _measured(finding),
            "  Expected": _expected(finding),
            "  Because": finding.because,
            "  Condition": condition_title(finding.condition),
            "  Evidence": _evidence(finding),
            "  Source": finding.expected.source,
            "  Consistent with": "; ".join(finding.suggests),
            "  Also moves it": "; ".join(finding.confounders),
        }
    )


def _measured(finding: Finding) -> str:
    value = finding.measured.get("value")
    unit = str(finding.measured.get("unit") or "")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return "" if value is None else str(value)
    return screen.number_text(value, unit)


def _expected(finding: Finding) -> str:
    return finding.expected.text()


def _evidence(finding: Finding) -> str:
    evidence = finding.evidence
    text = f"{evidence.samples} readings"
    if evidence.seconds >= 1:
        text += f" in {evidence.seconds:.0f} s"
    if evidence.first_s is not None:
        text += f" from {evidence.first_s:.0f} s"
    return text
