"""``obdlog check``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from obdlog.cli import screen
from obdlog.cli.options import CaseOption, FailOn, FailOnOption, JsonOption
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
    from analysis.findings import Finding
    from obdlog.case import CaseFacts

FOUND = 10
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
    fail_on: FailOnOption = None,
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
    if fail_on is FailOn.OUTSIDE and outside:
        raise typer.Exit(FOUND)


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
    from analysis.checks import run_checks
    from analysis.facts import VehicleFacts
    from analysis.load import load

    facts = facts if facts is not None else facts_for(session, None)
    data = load(drive_of(session))
    for warning in data.warnings[:MOST_WARNINGS]:
        if tell:
            tell(screen.plain(warning))
    known = VehicleFacts.from_session(
        data, vehicle if vehicle is not None else vehicle_overrides(facts)
    )
    return run_checks(data, known, overrides=facts.ranges)


def show(findings: list[Finding], *, with_reasons: bool = False) -> None:
    """Print findings: what is outside first, with evidence, source and what it suggests."""
    from analysis.findings import Verdict

    groups = {v: [f for f in findings if f.verdict is v] for v in Verdict}
    for finding in groups[Verdict.OUTSIDE]:
        screen.heading(f"OUTSIDE ({finding.severity.value}): {finding.title}")
        screen.say(f"  {screen.plain(finding.because)}")
        screen.say(f"  Evidence: {_evidence(finding)}. Source: {finding.expected.source}")
        if finding.suggests:
            screen.say(f"  Consistent with, the likeliest first: {'; '.join(finding.suggests)}")
        if finding.confounders:
            screen.say(f"  Also moves it: {'; '.join(finding.confounders)}")
    if groups[Verdict.INSIDE]:
        screen.print_table(
            ("Inside", "Because", "Evidence"),
            ((f.title, f.because, _evidence(f)) for f in groups[Verdict.INSIDE]),
        )
    unjudged = groups[Verdict.NOT_JUDGED]
    if with_reasons and unjudged:
        screen.print_table(("Not judged", "Why"), ((f.title, f.because) for f in unjudged))
    screen.say(
        f"{len(groups[Verdict.OUTSIDE])} outside, {len(groups[Verdict.INSIDE])} inside, "
        f"{len(unjudged)} not judged"
        + ("." if with_reasons or not unjudged else " (--all says why).")
    )
    screen.say(LIMITS)


def _evidence(finding: Finding) -> str:
    evidence = finding.evidence
    text = f"{evidence.samples} readings in {evidence.seconds:.0f} s"
    if evidence.first_s is not None:
        text += f" from {evidence.first_s:.0f} s"
    return text
