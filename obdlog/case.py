"""The case folder: one job's facts (``case.toml``) and its session files, in order."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from obdlog.errors import InputFileError
from obdlog.model import Work
from obdlog.session.format import printable
from obdlog.toml_file import load_toml

FACTS_FILE = "case.toml"
SESSION_SUFFIXES = (".session.jsonl", ".session.jsonl.gz", ".session.jsonl.zst")

_NUMBERED = re.compile(r"^(\d+)-")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """What the user wrote in ``case.toml``; everything is optional.

    `vehicle` holds plain values (``vin``, ``displacement_l``, ``fuel``, ``altitude_m`` …),
    `ranges` the user's own expected ranges by check id, `notes` free text.
    """

    vehicle: dict[str, Any] = field(default_factory=dict)
    work: Work = field(default_factory=Work)
    notes: tuple[str, ...] = ()
    operator: str = ""
    place: str = ""
    odometer_km: float | None = None
    ranges: dict[str, Any] = field(default_factory=dict)


def load_case_facts(folder: Path) -> CaseFacts:
    """Return the facts of `folder`, empty ones where it holds no ``case.toml``.

    Raises
    ------
    InputFileError
        The file is not UTF-8 TOML, is absurdly large, or a field has the wrong type.
    """
    path = folder / FACTS_FILE
    return _facts(path, load_toml(path, "case file", may_be_missing=True))


def _facts(path: Path, content: dict[str, Any]) -> CaseFacts:
    vehicle = _table(path, content, "vehicle")
    work = _table(path, content, "work")
    notes = content.get("notes", [])
    odometer = content.get("odometer_km", vehicle.get("odometer_km"))
    if odometer is not None and (
        isinstance(odometer, bool)
        or not isinstance(odometer, (int, float))
        or not 0 <= odometer < 1e8
    ):
        raise InputFileError(f"{path}: odometer_km must be a number of kilometres", path=path)
    return CaseFacts(
        vehicle={
            printable(k, 60): printable(v) if isinstance(v, str) else v for k, v in vehicle.items()
        },
        work=Work(
            unplugged=_texts(path, work, "unplugged"), replaced=_texts(path, work, "replaced")
        ),
        notes=_texts(path, {"notes": [notes] if isinstance(notes, str) else notes}, "notes"),
        operator=printable(str(content.get("operator", "")), 200),
        place=printable(str(content.get("place", "")), 200),
        odometer_km=None if odometer is None else float(odometer),
        ranges=_table(path, content, "ranges"),
    )


def _table(path: Path, content: dict[str, Any], key: str) -> dict[str, Any]:
    value = content.get(key, {})
    if not isinstance(value, dict):
        raise InputFileError(f"{path}: [{key}] must be a table", path=path)
    return value


def _texts(path: Path, content: dict[str, Any], key: str) -> tuple[str, ...]:
    value = content.get(key, [])
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise InputFileError(f"{path}: {key} must be a list of texts", path=path)
    return tuple(printable(item) for item in value)


def session_files(folder: Path) -> tuple[Path, ...]:
    """Return the session files of `folder` in the order of the job.

    Raises
    ------
    InputFileError
        `folder` is not a folder that can be read.
    """
    try:
        names = sorted(
            (p for p in folder.iterdir() if p.name.endswith(SESSION_SUFFIXES) and p.is_file()),
            key=lambda p: (_number(p) is None, _number(p) or 0, p.name),
        )
    except OSError as error:
        raise InputFileError(
            f"{folder} is not a case folder: {error.strerror}", path=folder
        ) from error
    return tuple(names)


def _number(path: Path) -> int | None:
    match = _NUMBERED.match(path.name)
    return int(match[1][:9]) if match else None


def next_session_path(folder: Path, step: str) -> Path:
    """Return a free path in `folder` for the session of `step`, creating the folder.

    Raises
    ------
    InputFileError
        The folder cannot be created.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise InputFileError(
            f"{folder} cannot be created: {error.strerror}", path=folder
        ) from error
    numbers = [_number(p) or 0 for p in session_files(folder)]
    return folder / f"{max(numbers, default=0) + 1:02d}-{step}.session.jsonl"


def write_case_facts(folder: Path, facts: CaseFacts) -> Path:
    """Write ``case.toml`` where there is none yet and return its path.

    Raises
    ------
    InputFileError
        It cannot be written.
    """
    path = folder / FACTS_FILE
    lines = []
    if facts.odometer_km is not None:
        lines.append(f"odometer_km = {_toml_value(facts.odometer_km)}")
    people = {"operator": facts.operator, "place": facts.place}
    lines += [f"{key} = {_toml_text(text)}" for key, text in people.items() if text]
    if facts.notes:
        lines.append(f"notes = [{', '.join(map(_toml_text, facts.notes))}]")
    lines += ["", "[vehicle]"]
    stated = {key: _toml_value(value) for key, value in facts.vehicle.items()}
    lines += [f"{_toml_key(key)} = {text}" for key, text in stated.items() if text is not None]
    lines += ["", "[work]"]
    lines.append(f"unplugged = [{', '.join(map(_toml_text, facts.work.unplugged))}]")
    lines.append(f"replaced = [{', '.join(map(_toml_text, facts.work.replaced))}]")
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
    except FileExistsError:
        pass
    except OSError as error:
        raise InputFileError(f"{path} cannot be written: {error.strerror}", path=path) from error
    return path


def _toml_value(value: object) -> str | None:
    """Return `value` as TOML, None for what no vehicle fact can be (a date, a table)."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _toml_text(value)
    if isinstance(value, (int, float)):
        # Python and TOML 1.0 write numbers alike, inf and nan included.
        return repr(value)
    if isinstance(value, (list, tuple)) and all(isinstance(item, str) for item in value):
        return f"[{', '.join(map(_toml_text, value))}]"
    return None


def _toml_key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _toml_text(key)


def _toml_text(text: str) -> str:
    escaped = printable(text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
