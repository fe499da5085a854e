"""The technician's tables: what was read, side by side, with where it comes from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.compare import DriveSummary, summarise_drive
from analysis.compare.codes import Codes, modules_of, pair_codes, statuses, was_read
from analysis.compare.model import Document, Key
from analysis.condition_table import condition_title
from analysis.data import SessionData
from analysis.quality import SignalQuality, quality, session_gaps
from analysis.report import words
from analysis.report.case import CaseMaterial
from analysis.report.onboard import failed_tests

if TYPE_CHECKING:
    from analysis.findings import Finding

COUNTERS = (
    ("warm_ups_since_clear", "Warm-ups since clearing", "count"),
    ("distance_since_clear_km", "Distance since clearing", "km"),
    ("minutes_since_clear", "Engine time since clearing", "min"),
    ("distance_with_lamp_km", "Distance with the lamp on", "km"),
    ("minutes_with_lamp", "Engine time with the lamp on", "min"),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table, cell by cell; `alert` marks what a reader must not overlook."""

    cells: tuple[str, ...]
    alert: bool = False


@dataclass(frozen=True, slots=True)
class ModuleCodes:
    """The codes of one module before and after."""

    heading: str
    note: str
    read: bool
    rows: tuple[Row, ...]
    cautions: tuple[str, ...] = ()


def code_tables(
    before: Document | None,
    after: Document | None,
    tests_before: Document | None = None,
    tests_after: Document | None = None,
) -> tuple[ModuleCodes, ...]:
    """Return one table a module, in order of address; failed tests stand beside their code."""
    tests = (("before", tests_before), ("after", tests_after))
    earlier, later = modules_of(before), modules_of(after)
    codes = pair_codes(before, after)
    present = {**codes.earlier, **codes.later, **codes.waiting}
    tables = []
    for address in sorted(earlier.keys() | later.keys()):
        either = (earlier.get(address), later.get(address))
        module = next(m for m in either if m is not None)
        keys = sorted((k for k in present if k[0] == address), key=lambda k: (k[1], k[2] or ""))
        notes = [
            _lamp("before", before, earlier.get(address)),
            _lamp("after", after, later.get(address)),
        ]
        tables.append(
            ModuleCodes(
                heading=words.module_name(module),
                note=" · ".join(filter(None, notes)),
                cautions=_cautions(module),
                read=was_read(earlier.get(address)) or was_read(later.get(address)),
                rows=tuple(_code_row(key, codes, before, after, tests) for key in keys),
            )
        )
    return tuple(tables)


def _lamp(when: str, document: Document | None, module: Document | None) -> str:
    if document is None:
        return ""
    if module is None or not was_read(module):
        reason = str((module or {}).get("error") or "")
        return f"{when}: not read{f' ({reason})' if reason else ''}, not known to be clear"
    return f"{when}: {words.lamp(module)}"


def _cautions(module: Document) -> tuple[str, ...]:
    """Return what to know before anybody touches the system that a module looks after."""
    found = words.SYSTEMS.get(str(module.get("system") or ""))
    return (found,) if found else ()


def _code_row(
    key: Key,
    codes: Codes,
    before: Document | None,
    after: Document | None,
    tests: Sequence[tuple[str, Document | None]],
) -> Row:
    address, code, failure_type = key
    earlier, later = codes.earlier.get(key), codes.later.get(key)
    waiting = codes.waiting.get(key)
    said: dict[str, Any] = {**(waiting or {}), **(later or {}), **(earlier or {})}
    judgement = str(said.get("judgement") or "undecided")
    return Row(
        (
            f"{code}-{failure_type}" if failure_type else code,
            _meaning(said),
            _status(before, address, earlier),
            _status(after, address, later, waiting),
            words.JUDGEMENT.get(judgement, judgement),
            " ".join((_because(said), *_failed_tests(key, tests))),
        ),
        alert=later is not None,
    )


def _meaning(said: Mapping[str, Any]) -> str:
    parts = (said.get("meaning") or "meaning not known", said.get("failure_meaning"))
    return ", ".join(str(part) for part in parts if part)


def _because(said: Mapping[str, Any]) -> str:
    return " Caution: ".join(filter(None, (str(said.get("because") or "–"), said.get("caution"))))


def _failed_tests(key: Key, tests: Sequence[tuple[str, Document | None]]) -> Iterator[str]:
    for when, document in tests:
        for test in failed_tests(key[0], key[1], document):
            yield f"✗ On-board test failed {when}: {test.monitor}: {test.result}."


def _status(
    document: Document | None,
    address: str,
    code: Document | None,
    waiting: Document | None = None,
) -> str:
    if code is not None:
        return ", ".join(statuses(code))
    if waiting is not None:
        return "not stored; its lamp waits for a key cycle or a drive"
    if document is None or not was_read(modules_of(document).get(address)):
        return "not read"
    return "– absent"


@dataclass(frozen=True, slots=True)
class FrozenFrame:
    """A freeze frame with the module that stored it."""

    heading: str
    rows: tuple[Row, ...]


def frozen_frames(codes: Document | None) -> tuple[FrozenFrame, ...]:
    """Return the freeze frames of a code reading."""
    return tuple(
        FrozenFrame(
            f"{_frame_of(frame)} in {words.module_name(module)}",
            tuple(
                Row(
                    (
                        str(r.get("label") or r.get("signal") or ""),
                        words.number(r.get("value"), str(r.get("unit") or "")),
                    )
                )
                for r in frame.get("readings", ())
            ),
        )
        for module in modules_of(codes).values()
        for frame in module.get("freeze_frames") or ()
    )


def _frame_of(frame: Mapping[str, Any]) -> str:
    code, failure_type = str(frame.get("code")), frame.get("failure_type")
    record = frame.get("record")
    named = f"{code}-{failure_type}" if failure_type else code
    return f"{named}, record {record}" if record else named


def readiness_rows(before: Document | None, after: Document | None) -> tuple[Row, ...]:
    """Return the supported monitors of each module, before and after."""
    earlier, later = _monitors(before), _monitors(after)
    return tuple(
        Row(
            (
                key[0],
                words.monitor(key[1]),
                _complete(before, earlier.get(key)),
                _complete(after, later.get(key)),
            ),
            alert=later.get(key) is False,
        )
        for key in dict.fromkeys((*earlier, *later))
    )


def _monitors(readiness: Document | None) -> dict[tuple[str, str], bool]:
    return {
        (words.module_name(module), str(monitor["monitor"])): bool(monitor.get("complete"))
        for module in (readiness or {}).get("modules", ())
        for monitor in module.get("monitors", ())
        if monitor.get("supported")
    }


def _complete(readiness: Document | None, complete: bool | None) -> str:
    if readiness is None or complete is None:
        return "not read"
    return "✓ complete" if complete else "✗ not complete"


def counter_rows(before: Document | None, after: Document | None) -> tuple[Row, ...]:
    """Return the counters since clearing, before and after, with those not reported."""
    sides = [(side or {}).get("counters") or {} for side in (before, after)]
    return tuple(
        Row((label, *(_counter(side.get(name), unit) for side in sides)))
        for name, label, unit in COUNTERS
        if any(side.get(name) is not None for side in sides)
    )


def _counter(value: object, unit: str) -> str:
    return "not reported" if value is None else words.number(value, "" if unit == "count" else unit)


def test_rows(before: Document | None, after: Document | None) -> tuple[Row, ...]:
    """Return the on-board test results (service 06) before and after."""
    earlier, later = _tests(before), _tests(after)
    rows = []
    for key in dict.fromkeys((*earlier, *later)):
        # A test that has not run states no limits; the other reading may.
        known = [t for t in (later.get(key), earlier.get(key)) if t is not None]
        test = next((t for t in known if t.get("result") != "not-run"), known[0])
        unit = str(test.get("unit") or "")
        rows.append(
            Row(
                (
                    key[0],
                    " ".join(filter(None, (key[1], str(test.get("monitor") or "")))),
                    " ".join(filter(None, (key[2], str(test.get("test") or "")))),
                    words.span(test.get("low"), test.get("high"), unit, exact=True),
                    _result(before, earlier.get(key)),
                    _result(after, later.get(key)),
                ),
                alert=(later.get(key) or {}).get("result") == "fail",
            )
        )
    return tuple(rows)


def _tests(document: Document | None) -> dict[tuple[str, str, str], Mapping[str, Any]]:
    return {
        (words.module_name(m), str(t.get("monitor_id")), str(t.get("test_id"))): t
        for m in (document or {}).get("modules", ())
        for t in m.get("tests", ())
    }


def _result(document: Document | None, test: Mapping[str, Any] | None) -> str:
    if document is None or test is None:
        return "not read"
    result = str(test.get("result") or "")
    value = words.number(test.get("value"), str(test.get("unit") or ""), exact=True)
    return f"{words.TEST.get(result, result)} {'' if result == 'not-run' else value}".strip()


@dataclass(frozen=True, slots=True)
class RoadTest:
    """A drive as the report describes it."""

    name: str
    facts: tuple[Row, ...]
    rates: tuple[Row, ...]
    gaps: tuple[Row, ...]


MOST_GAPS = 30

FEWEST_FOR_RATE = 5
"""A signal asked once or twice has no rate worth a line."""


def road_test(data: SessionData) -> RoadTest:
    """Return conditions, duration, distance, rates and gaps of a drive."""
    drive = summarise_drive(data)
    gaps = [
        *((g.start_s, g.end_s, "recorded: " + (g.cause or "no cause given")) for g in data.gaps),
        *((g.start_s, g.end_s, "nothing was read") for g in session_gaps(data)),
    ]
    rows = [
        Row((words.duration(start), words.duration(end - start), cause))
        for start, end, cause in sorted(gaps)
    ]
    if len(rows) > MOST_GAPS:
        rows = [*rows[:MOST_GAPS], Row(("…", f"{len(gaps) - MOST_GAPS} more", ""))]
    return RoadTest(
        name=data.path.name,
        facts=tuple(_drive_rows(data, drive)),
        rates=tuple(_rate_row(q) for q in quality(data) if q.samples >= FEWEST_FOR_RATE),
        gaps=tuple(rows),
    )


def _drive_rows(data: SessionData, drive: DriveSummary) -> Iterator[Row]:
    yield Row(("Recorded", words.duration(drive.seconds)))
    yield Row(("Engine running", words.duration(drive.running_s)))
    if drive.distance_km is not None:
        yield Row(("Distance outside gaps", words.number(round(drive.distance_km, 1), "km")))
        yield Row(("Highest speed read", words.number(drive.most_kmh, "km/h")))
    yield Row(("At 40 km/h or more", words.duration(drive.moving_s)))
    yield Row(("Longest unbroken idle", words.duration(drive.idle_s)))
    if drive.unseen_s:
        yield Row(("In gaps of the speed signal", words.duration(drive.unseen_s)))
    for signal, label in (("AAT", "Outside air"), ("ECT", "Coolant"), ("BARO", "Outside pressure")):
        samples = data.samples(signal)
        if samples.count:
            unit = "kPa" if signal == "BARO" else "°C"
            low, high = float(samples.value.min()), float(samples.value.max())
            yield Row(
                (label, words.span(low, high, unit) if high > low else words.number(low, unit))
            )
    if data.outcomes:
        lost = data.exchanges - data.outcomes.get("answered", 0)
        yield Row(
            (
                "Requests",
                f"{words.number(data.exchanges)}, of which {words.number(lost)} brought no usable "
                "answer",
            ),
            alert=lost > 0,
        )
    if not data.complete:
        yield Row(("Recording", "was interrupted; everything up to then is here"), alert=True)
    for warning in data.warnings:
        yield Row(("Note", warning), alert=True)


def _rate_row(q: SignalQuality) -> Row:
    return Row(
        (
            q.signal,
            q.source,
            words.number(q.samples),
            f"{q.rate_hz:.2f} Hz" if q.rate_hz else "–",
            f"{q.max_interval_s:.1f} s" if q.samples > 1 else "–",
            f"{q.coverage * 100:.0f} %",
        ),
        alert=bool(q.gaps),
    )


def outside_rows(findings: Sequence[Finding]) -> tuple[Row, ...]:
    """Return the findings outside their range, the gravest on top, with what they suggest."""
    order = {"stop": 0, "attention": 1, "watch": 2}
    outside = [f for f in findings if f.verdict == "outside" and str(f.severity) in order]
    outside.sort(key=lambda f: (order[str(f.severity)], f.title))
    return tuple(
        Row(
            (
                _check(f),
                words.SEVERITY[str(f.severity)],
                words.measured(f.measured, f.expected),
                _expected(f),
                _evidence(f),
                _remarks(f),
            ),
            alert=True,
        )
        for f in outside
    )


def note_rows(findings: Sequence[Finding]) -> tuple[Row, ...]:
    """Return what is outside its range without weight: worth knowing, no fault by itself."""
    notes = [f for f in findings if f.verdict == "outside" and str(f.severity) == "info"]
    return tuple(
        Row((_check(f), _expected(f), _evidence(f), _remarks(f)))
        for f in sorted(notes, key=lambda f: f.title)
    )


def inside_rows(findings: Sequence[Finding]) -> tuple[Row, ...]:
    """Return the findings inside their range."""
    return tuple(
        Row((_check(f), words.measured(f.measured, f.expected), _expected(f), _evidence(f)))
        for f in sorted(findings, key=lambda f: f.title)
        if f.verdict == "inside"
    )


def _check(finding: Finding) -> str:
    return finding.title + (f" ({finding.signal})" if finding.signal else "")


def _expected(finding: Finding) -> str:
    expected = finding.expected
    text = words.span(expected.low, expected.high, expected.unit)
    return f"{text}. Source: {expected.source}" if expected.source else text


def _evidence(finding: Finding) -> str:
    evidence = finding.evidence
    seen = [f"{words.number(evidence.samples)} readings"]
    if finding.condition:
        seen.append(condition_title(finding.condition))
    if evidence.seconds:
        seen.append(f"over {words.duration(evidence.seconds)}")
    if evidence.first_s is not None:
        seen.append(f"from {words.duration(evidence.first_s)}")
    if evidence.worst_s is not None and finding.verdict == "outside":
        seen.append(f"worst at {words.duration(evidence.worst_s)}")
    return ", ".join(seen)


def _remarks(finding: Finding) -> str:
    parts = [finding.because]
    if finding.suggests:
        parts.append("Consistent with, likeliest first: " + "; ".join(finding.suggests))
    if finding.confounders:
        parts.append("Also moved by: " + "; ".join(finding.confounders))
    return " ".join(f"{part.rstrip('.')}." for part in parts if part) or "–"


def unjudged_rows(findings: Sequence[Finding]) -> tuple[Row, ...]:
    """Return the checks that could not be made, and why."""
    return tuple(Row((_check(f), f.because or "–")) for f in findings if f.verdict == "not-judged")


def signal_rows(material: CaseMaterial) -> tuple[Row, ...]:
    """Return the readings that both drives have under the same condition."""
    changes = material.comparison.signals if material.comparison else ()
    return tuple(
        Row(
            (
                f"{c.label} ({c.signal})",
                c.condition,
                *(
                    f"{words.number(s.mean, c.unit)} ({words.span(s.least, s.most, c.unit)}; "
                    f"{words.number(s.samples)})"
                    for s in (c.before, c.after)
                ),
            )
        )
        for c in changes
    )
