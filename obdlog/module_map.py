"""The module map: a TOML file that says which modules a vehicle has and where each is asked.

A workshop writes its own; a case keeps what was found in its ``modules.toml``. ``docs/modules.md``
describes the file for people.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

from obdlog.addresses import module_name
from obdlog.errors import InputFileError
from obdlog.modules import (
    Language,
    Module,
    System,
    is_address,
    is_normal_fixed,
    merged,
    reaches_all,
    usual_response,
)
from obdlog.session.format import printable
from obdlog.toml_file import parse_toml, read_text

CASE_FILE = "modules.toml"
MOST_MODULES = 500
LONGEST_NAME = 60

_KEYS = frozenset({"name", "request", "response", "bus", "addressing", "language", "system"})
_HEADER = (
    "# Modules of this vehicle. Names and systems are yours to edit; entries are kept.\n"
    "# systems: " + ", ".join(s.value for s in System if s) + "\n"
)


class Search(StrEnum):
    """What became of the search whose modules a case keeps."""

    NONE = ""
    DONE = "done"
    INTERRUPTED = "interrupted"


class _Bus(StrEnum):
    CAN = "can"
    K_LINE = "k-line"
    J1850 = "j1850"


class _Addressing(StrEnum):
    NORMAL = "normal"
    NORMAL_FIXED = "normal-fixed"


_Choice = TypeVar("_Choice", bound=StrEnum)


@dataclass(frozen=True, slots=True)
class ModuleMap:
    """The modules of a file, and whether they come of a search that was finished."""

    modules: tuple[Module, ...] = ()
    search: Search = Search.NONE


def load_module_map(path: Path) -> tuple[Module, ...]:
    """Return the modules of the map at `path`.

    Raises
    ------
    InputFileError
        The file cannot be read, is no UTF-8 TOML, or an entry is not what it should be.
    """
    return _parse(path, _read(path)).modules


def write_module_map(path: Path, modules: Sequence[Module], search: Search = Search.NONE) -> None:
    """Write `modules` to a new file.

    Raises
    ------
    InputFileError
        The file exists or cannot be written.
    """
    _write(path, _rendered(modules, search), mode="x")


def case_map(folder: Path) -> ModuleMap:
    """Return what the case remembers of its modules, nothing where it has no ``modules.toml``.

    Raises
    ------
    InputFileError
        As `load_module_map`.
    """
    path = folder / CASE_FILE
    return _parse(path, _read(path)) if path.exists() else ModuleMap()


def case_modules(folder: Path) -> tuple[Module, ...]:
    """Return the modules that the case remembers; see `case_map`."""
    return case_map(folder).modules


def remember(folder: Path, modules: Iterable[Module], search: Search = Search.NONE) -> Path:
    """Add `modules` to those that the case remembers and return its file.

    What the user wrote stays: his names and systems win, entries are never taken out, and a file
    that he laid out in his own way is only added to.

    Raises
    ------
    InputFileError
        The file there is not a module map, or cannot be written.
    """
    path = folder / CASE_FILE
    modules = tuple(modules)
    if not path.exists():
        write_module_map(path, merged(_fitting((), modules)), search)
        return path
    text = _read(path)
    held = _parse(path, text)
    state = held.search if search is Search.NONE else search
    together = merged(held.modules, _fitting(held.modules, modules))
    if text == _rendered(held.modules, held.search):
        changed = _rendered(together, state)
    else:
        old = {(m.request, m.response) for m in held.modules}
        added = [m for m in together if (m.request, m.response) not in old]
        changed = text.rstrip("\n") + "\n" + "".join(map(_entry, added)) if added else text
        if state is not held.search:
            changed = _with_state(changed, state)
    if changed != text:
        _parse(path, changed)
        _replace(path, changed)
    return path


def _fitting(held: Sequence[Module], added: Sequence[Module]) -> Iterator[Module]:
    """Yield what can stand beside the modules that are `held`; what the user wrote wins."""
    pairs = {(m.request, m.response) for m in held}
    responses = {m.response for m in held}
    names = {m.name.casefold() for m in held}
    for module in added:
        if (module.request, module.response) in pairs:
            yield module
        elif module.response not in responses:
            taken = module.name.casefold() in names
            kept = replace(module, name=module_name(module.response)) if taken else module
            responses.add(kept.response)
            names.add(kept.name.casefold())
            yield kept


def _with_state(text: str, state: Search) -> str:
    kept = [line for line in text.splitlines(keepends=True) if not _states(line)]
    return f'search = "{state.value}"\n' + "".join(kept)


def _states(line: str) -> bool:
    return line.split("=")[0].strip() == "search"


def _read(path: Path) -> str:
    return read_text(path, "module map")


def _parse(path: Path, text: str) -> ModuleMap:
    content = parse_toml(path, text)
    _refuse_strangers(path, "", content, {"module", "search"})
    search = _choice(path, "search", content.get("search", ""), Search)
    entries = content.get("module", [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise InputFileError(f"{path}: modules are written as [[module]] tables", path=path)
    if len(entries) > MOST_MODULES:
        raise InputFileError(
            f"{path} holds {len(entries)} modules; {MOST_MODULES} is the most", path=path
        )
    modules: list[Module] = []
    for number, entry in enumerate(entries, 1):
        module = _module(path, f"module {number}: ", entry)
        for other in modules:
            if other.response == module.response:
                raise InputFileError(
                    f"{path}: module {number} answers from {module.response} like "
                    f"{printable(other.name)!r}; an address belongs to one module",
                    path=path,
                )
            if other.name.casefold() == module.name.casefold():
                raise InputFileError(
                    f"{path}: two modules are called {printable(module.name)!r}", path=path
                )
        modules.append(module)
    return ModuleMap(tuple(modules), search)


def _module(path: Path, where: str, entry: dict[str, Any]) -> Module:
    _refuse_strangers(path, where, entry, _KEYS)
    if "request" not in entry:
        raise InputFileError(f"{path}: {where}request is missing", path=path)
    request = _address(path, f"{where}request", entry["request"])
    usual = usual_response(request)
    if "response" not in entry and usual is None:
        raise InputFileError(
            f"{path}: {where}where {request} is answered from is not known; write its response",
            path=path,
        )
    response = _address(path, f"{where}response", entry.get("response", usual))
    if len(response) != len(request) or (response == request and len(request) > 2):
        raise InputFileError(
            f"{path}: {where}request {request} and response {response} do not go together",
            path=path,
        )
    if reaches_all(request) or reaches_all(response):
        raise InputFileError(
            f"{path}: {where}{request} or {response} belongs to all modules at once, not to one",
            path=path,
        )
    _check_road(path, where, entry, request, response)
    language = entry.get("language", "")
    return Module(
        request,
        response,
        _name(path, f"{where}name", entry.get("name", "")) or module_name(response),
        _choice(path, f"{where}language", language, Language) if language != "" else None,
        _choice(path, f"{where}system", entry.get("system", ""), System),
    )


def _check_road(path: Path, where: str, entry: dict[str, Any], request: str, response: str) -> None:
    """Check that bus and addressing, where they are written, fit the addresses."""
    older = len(request) == 2
    bus = _choice(path, f"{where}bus", entry.get("bus", "k-line" if older else "can"), _Bus)
    if older is (bus is _Bus.CAN):
        raise InputFileError(
            f"{path}: {where}{request} is no address on {bus.value}: CAN identifiers have three "
            "or eight hexadecimal digits, addresses of the older buses two",
            path=path,
        )
    fixed = is_normal_fixed(request)
    usual = _Addressing.NORMAL_FIXED if fixed else _Addressing.NORMAL
    kind = _choice(path, f"{where}addressing", entry.get("addressing", usual.value), _Addressing)
    if kind is _Addressing.NORMAL_FIXED and not (fixed and response == usual_response(request)):
        raise InputFileError(
            f"{path}: {where}normal fixed addresses are 18DAxxF1 answered from 18DAF1xx, not "
            f"{request} and {response}",
            path=path,
        )


def _refuse_strangers(path: Path, where: str, table: dict[str, Any], known: Iterable[str]) -> None:
    strangers = sorted(set(table) - set(known))
    if strangers:
        raise InputFileError(
            f"{path}: {where}{printable(strangers[0], 40)!r} is none of {', '.join(sorted(known))}",
            path=path,
        )


def _address(path: Path, where: str, value: object) -> str:
    # 700 without quotation marks is a number in TOML; taking it for hexadecimal would be a guess.
    if not isinstance(value, str) or not is_address(value.strip().upper()):
        shown = printable(str(value), 40) if isinstance(value, (str, int)) else type(value).__name__
        raise InputFileError(
            f'{path}: {where} is an address in quotation marks, as "7B0" or "18DA28F1", not '
            f"{shown!r}",
            path=path,
        )
    return value.strip().upper()


def _name(path: Path, where: str, value: object) -> str:
    if not isinstance(value, str):
        raise InputFileError(f"{path}: {where} must be a text", path=path)
    name = " ".join(printable(value, LONGEST_NAME + 1).split())
    if len(name) > LONGEST_NAME:
        raise InputFileError(f"{path}: {where} is longer than {LONGEST_NAME} characters", path=path)
    return name


def _choice(path: Path, where: str, value: object, kind: type[_Choice]) -> _Choice:
    try:
        if isinstance(value, str):
            return kind(value.strip().casefold())
    except ValueError:
        pass
    known = ", ".join(f'"{k.value}"' for k in kind if k.value)
    raise InputFileError(
        f"{path}: {where} is {printable(str(value), 40)!r}, none of {known}", path=path
    )


def _rendered(modules: Iterable[Module], search: Search) -> str:
    state = f'\nsearch = "{search.value}"\n' if search else ""
    return _HEADER + state + "".join(map(_entry, modules))


def _entry(module: Module) -> str:
    older = len(module.request) == 2
    fixed = is_normal_fixed(module.request) and module.response == usual_response(module.request)
    pairs = {
        "name": module.name,
        "request": module.request,
        "response": module.response,
        "bus": (_Bus.K_LINE if older else _Bus.CAN).value,
        "addressing": (_Addressing.NORMAL_FIXED if fixed else _Addressing.NORMAL).value,
        "language": module.language.value if module.language else "",
        "system": module.system.value,
    }
    lines = [f"{key} = {_toml_text(value)}" for key, value in pairs.items() if value]
    return "\n[[module]]\n" + "\n".join(lines) + "\n"


def _toml_text(text: str) -> str:
    escaped = printable(text, LONGEST_NAME).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _write(path: Path, text: str, mode: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with path.open(mode, encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        raise InputFileError(f"{path} cannot be written: {error.strerror}", path=path) from error


def _replace(path: Path, text: str) -> None:
    """Write `text` beside `path` and put it in its place at once, so that none is ever half."""
    beside = path.with_name(f".{path.name}.new")
    _write(beside, text, mode="w")
    try:
        beside.replace(path)
    except OSError as error:
        raise InputFileError(f"{path} cannot be written: {error.strerror}", path=path) from error
