"""Whether each code is a fault, an after-effect of work, a follow-on, past, or undecided.

The rules are data (``tables/judgement_rules.toml``); the first that holds decides and gives its
sentence. A judgement is a screening from what is known: it never says that a part is faulty.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any

from obdlog.codes.conditions import CONDITIONS
from obdlog.codes.facts import Case, CodeFacts, Evidence, build_cases
from obdlog.codes.meaning import split_code
from obdlog.codes.patterns import matches
from obdlog.errors import TableError
from obdlog.model import Work
from obdlog.tables.loader import package_text

__all__ = [
    "CodeFacts",
    "Evidence",
    "Judgement",
    "Verdict",
    "Work",
    "caution",
    "judge",
    "load_rules",
    "parse_rules",
]

FILE = "judgement_rules.toml"


class Verdict(StrEnum):
    """How a code is judged; the texts are those of the JSON contract."""

    FAULT = "fault"
    AFTER_EFFECT = "after-effect"
    FOLLOW_ON = "follow-on"
    PAST = "past"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Judgement:
    """The judgement of one code of one module, the reason, the rule that gave it, the caution."""

    code: str
    module: str
    judgement: Verdict
    because: str
    rule: str
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: every condition in `when` must hold; `because` is a sentence with braces."""

    id: str
    judgement: Verdict
    when: tuple[str, ...]
    because: str
    source: str


@dataclass(frozen=True, slots=True)
class Rules:
    """The rules in order, their limits, common sentences, and the cautions by code pattern."""

    rules: tuple[Rule, ...]
    limits: Mapping[str, float]
    sentences: Mapping[str, str]
    cautions: tuple[tuple[tuple[str, ...], str], ...]


def judge(
    found: Sequence[CodeFacts], work: Work | None = None, evidence: Evidence | None = None
) -> list[Judgement]:
    """Return one judgement per code, in the order given.

    Raises
    ------
    ValueError
        One of `found` is not the text of a trouble code.
    """
    for code in found:
        split_code(code.code)
    cases = build_cases(list(found), work or Work(), evidence or Evidence())
    return [_judge_case(case) for case in cases]


def caution(code: str) -> str:
    """Return what to say for safety wherever `code` is shown, "" where nothing special."""
    return next(
        (text for patterns, text in load_rules().cautions if matches(code, patterns)),
        "",
    )


def _judge_case(case: Case) -> Judgement:
    rules = load_rules()
    code = case.code
    for rule in rules.rules:
        said: dict[str, str] | None = dict(rules.sentences)
        for name in rule.when:
            found = CONDITIONS[name](case, rules.limits)
            if found is None or said is None:
                said = None
                break
            said |= found
        if said is not None:
            because = rule.because.format_map(said)
            return Judgement(
                code.code, code.module, rule.judgement, because, rule.id, caution(code.code)
            )
    raise TableError("no rule holds for every code", file=FILE)


@cache
def load_rules() -> Rules:
    """Return the rules that ship with the package."""
    return parse_rules(package_text(FILE))


def parse_rules(text: str, file: str = FILE) -> Rules:
    """Return rules from TOML.

    Raises
    ------
    TableError
        Not TOML, an unknown judgement or condition, a doubled id, or a last rule that has
        conditions (every code must get a judgement).
    """
    try:
        data: dict[str, Any] = tomllib.loads(text)
        rules = tuple(
            Rule(r["id"], Verdict(r["judgement"]), tuple(r["when"]), r["because"], r["source"])
            for r in data["rule"]
        )
        cautions = tuple((tuple(c["codes"]), str(c["text"])) for c in data.get("caution", []))
        limits = {name: float(value) for name, value in data.get("limits", {}).items()}
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as error:
        raise TableError(f"not rules of judgement: {error}", file=file) from error
    for rule in rules:
        unknown = [name for name in rule.when if name not in CONDITIONS]
        if unknown:
            raise TableError(f"rule {rule.id}: unknown conditions {unknown}", file=file)
    if len({rule.id for rule in rules}) != len(rules):
        raise TableError("two rules share an id", file=file)
    if not rules or rules[-1].when:
        raise TableError("the last rule must hold without conditions", file=file)
    return Rules(rules, limits, dict(data.get("sentences", {})), cautions)
