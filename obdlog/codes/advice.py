"""What is known of codes beyond circuit and kind of fault (``tables/judgement_advice.toml``)."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Final

import msgspec

from obdlog.codes.data import CodeRow
from obdlog.codes.patterns import matches
from obdlog.errors import TableError
from obdlog.tables.loader import package_text

FILE: Final = "judgement_advice.toml"


class Refinement(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Causes and measurement for the codes that fit each key; empty keys fit all."""

    codes: tuple[str, ...] = ()
    components: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    sorts: tuple[str, ...] = ()
    on_reference: bool = False
    on_12_volt: bool = False
    causes: tuple[str, ...] = ()
    measure: str = ""

    def fits(self, row: CodeRow) -> bool:
        """Return whether this is about `row`."""
        component, fault = row.component, row.fault
        return (
            (not self.codes or matches(row.code, self.codes))
            and (not self.faults or fault.id in self.faults)
            and (not self.sorts or fault.sort in self.sorts)
            and (not self.kinds or component.kind in self.kinds)
            and (not self.on_reference or bool(component.reference))
            and (not self.on_12_volt or component.on_12_volt)
            and (not self.components or any(_names(c, component.id) for c in self.components))
        )


def _names(pattern: str, component: str) -> bool:
    """Return whether `pattern`, an id or one with ``*`` for any part, names `component`."""
    before, any_part, after = pattern.partition("*")
    if not any_part:
        return component == pattern
    return component.startswith(before) and component.endswith(after)


class ByCode(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A text, or names of monitors, for codes that fit a pattern (and sorts of fault, if any)."""

    codes: tuple[str, ...]
    sorts: tuple[str, ...] = ()
    text: str = ""
    monitors: tuple[str, ...] = ()

    def fits(self, code: str, sort: str) -> bool:
        """Return whether this is about `code`."""
        return matches(code, self.codes) and (not self.sorts or sort in self.sorts)


class Advice(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All of the file; in each list the first row that fits decides."""

    refine: tuple[Refinement, ...]
    driving: tuple[ByCode, ...]
    proof: tuple[ByCode, ...]
    structure: tuple[ByCode, ...]
    returns: Mapping[str, str]
    unexplained: Refinement


def causes_and_measure(row: CodeRow) -> tuple[tuple[str, ...], str]:
    """Return the likely causes in order and what to measure, by what kind of thing it is."""
    fitting = [one for one in load_advice().refine if one.fits(row)]
    causes = next((one.causes for one in fitting if one.causes), row.fault.causes)
    return causes, next((one.measure for one in fitting if one.measure), row.fault.measure)


def first_text(rows: Iterable[ByCode], code: str, sort: str = "") -> str:
    """Return the text of the first row that is about `code`, "" where none is."""
    return next((row.text for row in rows if row.fits(code, sort)), "")


def proving_monitors(row: CodeRow) -> tuple[str, ...]:
    """Return the readiness monitors that watch what the code names, () where none does."""
    rows = load_advice().proof
    return next((one.monitors for one in rows if one.fits(row.code, row.fault.sort)), ())


@cache
def load_advice() -> Advice:
    """Return the advice that ships with the package."""
    return parse_advice(package_text(FILE))


def parse_advice(text: str, file: str = FILE) -> Advice:
    """Return advice from TOML.

    Raises
    ------
    TableError
        Not TOML, a part is missing, or a row has a key that it may not have.
    """
    try:
        return msgspec.convert(tomllib.loads(text), Advice)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise TableError(f"not advice on codes: {error}", file=file) from error
