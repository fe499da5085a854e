"""Conditions as frozen rows, from ``conditions.toml``; plain Python, for live use too."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib import resources
from typing import Any, Literal, get_args

from obdlog.errors import TableError

FILE = "conditions.toml"

Statistic = Literal["value", "mean", "sd", "span", "rise"]


@dataclass(frozen=True, slots=True)
class Predicate:
    """One requirement on one signal; limits are inclusive.

    `signals` are alternatives: the first that a session holds is used. `statistic` other than
    ``value`` is taken over the condition's dwell. See ``conditions.toml`` for the rest.
    """

    signals: tuple[str, ...]
    statistic: Statistic = "value"
    low: float = -math.inf
    high: float = math.inf
    one_of: tuple[float, ...] = ()
    share_of_maximum: float | None = None
    maximum_at_least: float = -math.inf
    above_minimum: float | None = None
    fuel: str = ""
    limit: str = ""


@dataclass(frozen=True, slots=True)
class Condition:
    """A driving condition: what must hold, and for how long [s].

    `min_samples` is the gate of evidence for readings judged in it, `longest_s` cuts a segment to
    its beginning, `soak_h` asks the user's statement that the engine was off that long [h].
    """

    name: str
    title: str
    text: str
    dwell_s: float
    min_samples: int
    where: tuple[Predicate, ...]
    longest_s: float = math.inf
    soak_h: float = 0.0


@cache
def conditions() -> Mapping[str, Condition]:
    """Return every condition by its name, in the order of the file.

    Raises
    ------
    TableError
        When the file shipped with the program breaks its rules.
    """
    text = resources.files("analysis").joinpath(FILE).read_text(encoding="utf-8")
    return parse_conditions(text, FILE)


def condition(name: str) -> Condition:
    """Return the condition called `name`.

    Raises
    ------
    TableError
        When there is none.
    """
    found = conditions().get(name)
    if found is None:
        raise TableError(f"no condition is called {name!r}", file=FILE)
    return found


def parse_conditions(text: str, file: str) -> dict[str, Condition]:
    """Return the conditions that the TOML `text` states; `file` is for error messages."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TableError(str(error), file=file) from error
    return {name: _condition(name, row, file) for name, row in table.items()}


def _condition(name: str, row: Any, file: str) -> Condition:
    row = _checked(row, Condition, f"condition {name!r}", file, given={"name"})
    where = tuple(_predicate(item, name, file) for item in row.pop("where"))
    made = Condition(name=name, where=where, **row)
    if made.dwell_s < 0 or made.min_samples < 1:
        raise TableError(f"condition {name!r} has a negative dwell or no gate", file=file)
    if any(p.statistic != "value" for p in where) and not made.dwell_s > 0:
        raise TableError(f"condition {name!r} has a statistic over no time", file=file)
    return made


def condition_title(name: str) -> str:
    """Return what people call the condition `name`; a name that no table has stays as it is."""
    try:
        return condition(name).title if name else ""
    except TableError:
        return name


def _predicate(row: Any, name: str, file: str) -> Predicate:
    row = _checked(row, Predicate, f"a row of condition {name!r}", file)
    row["signals"] = tuple(row["signals"])
    row["one_of"] = tuple(float(code) for code in row.get("one_of", ()))
    made = Predicate(**row)
    if made.statistic not in get_args(Statistic) or not made.signals or made.low > made.high:
        raise TableError(f"condition {name!r} has a row that cannot hold", file=file)
    return made


def _checked(
    row: Any, kind: type, what: str, file: str, given: frozenset[str] | set[str] = frozenset()
) -> dict[str, Any]:
    """Return a copy of `row` after refusing fields that `kind` does not have."""
    if not isinstance(row, dict):
        raise TableError(f"{what} is not a table", file=file)
    allowed = {f.name for f in fields(kind)} - set(given)
    needed = {f.name for f in fields(kind) if f.default is f.default_factory} - set(given)
    unknown, missing = row.keys() - allowed, needed - row.keys()
    if unknown:
        raise TableError(f"{what} has unknown fields: {', '.join(sorted(unknown))}", file=file)
    if missing:
        raise TableError(f"{what} lacks fields: {', '.join(sorted(missing))}", file=file)
    return dict(row)
