"""A module map as it is read: every entry checked, nothing guessed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

from obdlog.addresses import module_name
from obdlog.errors import InputFileError
from obdlog.modules import (
    Language,
    Module,
    System,
    clashing,
    is_address,
    is_normal_fixed,
    reaches_all,
    usual_response,
)
from obdlog.session.format import printable
from obdlog.toml_file import load_toml

CASE_FILE = "modules.toml"
FILE_KIND = "module map"
MOST_MODULES = 500
LONGEST_NAME = 60

_KEYS = frozenset({"name", "request", "response", "bus", "addressing", "language", "system"})


class Search(StrEnum):
    """What became of the search whose modules a case keeps."""

    NONE = ""
    DONE = "done"
    INTERRUPTED = "interrupted"


class Bus(StrEnum):
    """The bus of a module, as a map names it."""

    CAN = "can"
    K_LINE = "k-line"
    J1850 = "j1850"


class Addressing(StrEnum):
    """How identifiers are built (ISO 15765-2)."""

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
    return map_of(path, load_toml(path, FILE_KIND)).modules


def case_map(folder: Path) -> ModuleMap:
    """Return what the case remembers of its modules, nothing where it has no ``modules.toml``.

    Raises
    ------
    InputFileError
        As `load_module_map`.
    """
    path = folder / CASE_FILE
    return map_of(path, load_toml(path, FILE_KIND, may_be_missing=True))


def case_modules(folder: Path) -> tuple[Module, ...]:
    """Return the modules that the case remembers; see `case_map`."""
    return case_map(folder).modules


def map_of(path: Path, content: dict[str, Any]) -> ModuleMap:
    """Return the module map that `content`, the TOML of `path`, states.

    Raises
    ------
    InputFileError
        An entry is not what it should be.
    """
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
        if twin := clashing(module, modules):
            raise InputFileError(
                f"{path}: module {number} ({module.addresses}) and {printable(twin.name)!r} "
                f"({twin.addresses}): one is asked where the other answers",
                path=path,
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
    bus = _choice(path, f"{where}bus", entry.get("bus", "k-line" if older else "can"), Bus)
    if older is (bus is Bus.CAN):
        raise InputFileError(
            f"{path}: {where}{request} is no address on {bus.value}: CAN identifiers have three "
            "or eight hexadecimal digits, addresses of the older buses two",
            path=path,
        )
    fixed = is_normal_fixed(request)
    usual = Addressing.NORMAL_FIXED if fixed else Addressing.NORMAL
    kind = _choice(path, f"{where}addressing", entry.get("addressing", usual.value), Addressing)
    if kind is Addressing.NORMAL_FIXED and not (fixed and response == usual_response(request)):
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
