"""Finds in a case what was last erased, and the evidence that was saved before."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from obdlog import survey
from obdlog.case import session_files
from obdlog.case_history import read_asking
from obdlog.errors import InputFileError, SessionFileError
from obdlog.history import SERVICES, bus_of
from obdlog.model import FUNCTIONAL, Exchange
from obdlog.services.registry import ERASE_SERVICES
from obdlog.survey import ModuleCodes

_CODES = tuple(f"{service:02X}" for service in sorted(SERVICES))
_LAMP = ("0101", "22F401")


@dataclass(frozen=True, slots=True)
class LastErase:
    """The last erase of a case.

    `evidence` is the file read before it and `before` its codes; `erased` are the addresses of
    the modules that accepted, `asked` pairs request and response address of those asked alone,
    `read` of all whose codes the evidence holds.
    """

    evidence: Path
    before: tuple[ModuleCodes, ...]
    erased: frozenset[str]
    asked: tuple[tuple[str, str], ...]
    read: tuple[tuple[str, str], ...] = ()


def find_last_erase(folder: Path, warn: Callable[[str], None]) -> LastErase:
    """Return the last erase in the sessions of `folder`, with the evidence before it.

    Parameters
    ----------
    warn
        Called with a sentence for each session that cannot be read; the others count.

    Raises
    ------
    InputFileError
        The folder cannot be read, or holds no erase with a reading of codes before it.
    """
    reading: tuple[Path, list[Exchange]] | None = None
    found: LastErase | None = None
    for path in session_files(folder):
        try:
            _, exchanges = read_asking(path, _tells_codes_or_lamp)
        except SessionFileError as error:
            warn(f"{path.name} is left out: {error}")
            continue
        erases = [e for e in exchanges if e.request.service in ERASE_SERVICES]
        if erases and reading is not None:
            evidence, before = reading
            found = LastErase(
                evidence,
                survey.survey_codes(before, bus_of(before)),
                frozenset(m.source for e in erases for m in e.positive()),
                _pairs(erases),
                _pairs(before),
            )
        elif exchanges:
            reading = path, exchanges
    if found is None:
        raise InputFileError(
            f"{folder} holds no erase with evidence before it, so there is nothing to compare with",
            path=folder,
            hint="Name the case that was cleared with --case.",
        )
    return found


def _pairs(exchanges: Iterable[Exchange]) -> tuple[tuple[str, str], ...]:
    """Return request and response address of the modules that were asked alone."""
    return tuple(
        dict.fromkeys(
            (e.request.target, m.source)
            for e in exchanges
            if e.request.target != FUNCTIONAL
            for m in e.messages
        )
    )


def _tells_codes_or_lamp(ask: str) -> bool:
    return ask in _LAMP or ask.startswith(_CODES)
