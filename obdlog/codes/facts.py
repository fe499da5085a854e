"""What is known about the codes of one reading, as the rules of judgement see it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from obdlog.codes.data import CodeRow, code_row
from obdlog.codes.work import WorkItem, match_work
from obdlog.model import Value, Work

CONFIRMED, PENDING, PERMANENT, FAILING_NOW = "confirmed", "pending", "permanent", "failing-now"
NOT_TESTED = "not-tested"
_STORED_ANEW = frozenset({CONFIRMED, PENDING, FAILING_NOW})


@dataclass(frozen=True, slots=True)
class CodeFacts:
    """One code as one module reports it.

    `statuses` are those of the session and JSON formats. `freeze_frame` maps signal to value.
    `returned_after_clear` is true when it was erased before and is here again.
    """

    code: str
    module: str = ""
    statuses: frozenset[str] = frozenset({CONFIRMED})
    failure_type: str | None = None
    freeze_frame: Mapping[str, Value] = field(default_factory=dict)
    returned_after_clear: bool = False


@dataclass(frozen=True, slots=True)
class Evidence:
    """What else is known at the time of reading.

    `readings` are live values by signal. `voltage_v` is the supply at the connector [V].
    `before` are codes that were read earlier, and `cleared` says that they were erased since:
    a code of both is one that came back.
    """

    readings: Mapping[str, Value] = field(default_factory=dict)
    voltage_v: float | None = None
    before: frozenset[str] = frozenset()
    cleared: bool = False


@dataclass(frozen=True)
class Case:
    """All that one judgement may look at: the code in question, the others, work, evidence."""

    code: CodeFacts
    everything: tuple[CodeFacts, ...]
    work: tuple[WorkItem, ...]
    evidence: Evidence

    @cached_property
    def row(self) -> CodeRow | None:
        """The code's row in the table, None where this edition does not explain it."""
        return code_row(self.code.code)

    @cached_property
    def others(self) -> tuple[CodeFacts, ...]:
        """The other codes, each once, whatever module reports them."""
        found = {c.code: c for c in self.everything if c.code != self.code.code}
        return tuple(found.values())

    @property
    def returned(self) -> bool:
        """Whether the code was erased and is here again."""
        return has_returned(self.code, self.evidence)

    def others_in(self, component: str) -> tuple[CodeFacts, ...]:
        """Return the other codes that name `component`."""
        return tuple(
            c
            for c in self.others
            if (row := code_row(c.code)) is not None and row.component.id == component
        )


def has_returned(code: CodeFacts, evidence: Evidence) -> bool:
    """Return whether `code` was erased and is here again.

    What stands in the permanent memory alone never left: it survives every erase by design and
    goes only after the module's own test has run and passed (SAE J1979, service 0A).
    """
    if not code.statuses & _STORED_ANEW:
        return False
    return code.returned_after_clear or (evidence.cleared and code.code in evidence.before)


def build_cases(found: list[CodeFacts], work: Work, evidence: Evidence) -> tuple[Case, ...]:
    """Return one case per code, in the order given."""
    items = match_work(work)
    everything = tuple(found)
    return tuple(Case(code, everything, items, evidence) for code in found)
