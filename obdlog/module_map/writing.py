"""A module map as it is written: new, or what was found added to what a case remembers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from obdlog.addresses import module_name
from obdlog.errors import InputFileError
from obdlog.module_map.reading import (
    CASE_FILE,
    FILE_KIND,
    LONGEST_NAME,
    Addressing,
    Bus,
    Search,
    map_of,
)
from obdlog.modules import Module, System, clashing, is_normal_fixed, merged, usual_response
from obdlog.session.format import printable
from obdlog.toml_file import parse_toml, read_text

_HEADER = (
    "# Modules of this vehicle. Names and systems are yours to edit; entries are kept.\n"
    "# systems: " + ", ".join(s.value for s in System if s) + "\n"
)


def write_module_map(path: Path, modules: Sequence[Module], search: Search = Search.NONE) -> None:
    """Write `modules` to a new file.

    Raises
    ------
    InputFileError
        The file exists or cannot be written.
    """
    _write(path, _rendered(modules, search), mode="x")


def remember(
    folder: Path,
    modules: Iterable[Module],
    search: Search = Search.NONE,
    say: Callable[[str], None] = lambda _: None,
) -> Path:
    """Add `modules` to those that the case remembers and return its file.

    What the user wrote stays: the user's names and systems win, entries are never taken out, and
    a file that is laid out in another way is only added to. A module that is asked where another
    one answers is left out, and `say` is told.

    Raises
    ------
    InputFileError
        The file there is not a module map, or cannot be written.
    """
    path = folder / CASE_FILE
    modules = tuple(modules)
    if not path.exists():
        write_module_map(path, merged(_fitting((), modules, say)), search)
        return path
    text = read_text(path, FILE_KIND)
    held = map_of(path, parse_toml(path, text))
    state = held.search if search is Search.NONE else search
    together = merged(held.modules, _fitting(held.modules, modules, say))
    if text == _rendered(held.modules, held.search):
        changed = _rendered(together, state)
    else:
        old = {(m.request, m.response) for m in held.modules}
        added = [m for m in together if (m.request, m.response) not in old]
        changed = text.rstrip("\n") + "\n" + "".join(map(_entry, added)) if added else text
        if state is not held.search:
            changed = _with_state(changed, state)
    if changed != text:
        map_of(path, parse_toml(path, changed))
        _replace(path, changed)
    return path


def _fitting(
    held: Sequence[Module], added: Sequence[Module], say: Callable[[str], None]
) -> Iterator[Module]:
    """Yield what can stand beside the modules that are `held`; what the user wrote wins."""
    pairs = {(m.request, m.response) for m in held}
    responses = {m.response for m in held}
    names = {m.name.casefold() for m in held}
    beside = list(held)
    for module in added:
        if (module.request, module.response) in pairs:
            yield module
        elif other := clashing(module, beside):
            say(not_beside(module, other) + "; it was not kept")
        elif module.response not in responses:
            taken = module.name.casefold() in names
            kept = replace(module, name=module_name(module.response)) if taken else module
            responses.add(kept.response)
            names.add(kept.name.casefold())
            beside.append(kept)
            yield kept


def not_beside(module: Module, other: Module) -> str:
    """Return why `module` and `other` cannot stand in one list."""
    return (
        f"{module.name} ({module.addresses}) cannot stand beside {other.name} "
        f"({other.addresses}): one is asked where the other answers"
    )


def _with_state(text: str, state: Search) -> str:
    kept = [line for line in text.splitlines(keepends=True) if not _states(line)]
    return f'search = "{state.value}"\n' + "".join(kept)


def _states(line: str) -> bool:
    return line.split("=")[0].strip() == "search"


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
        "bus": (Bus.K_LINE if older else Bus.CAN).value,
        "addressing": (Addressing.NORMAL_FIXED if fixed else Addressing.NORMAL).value,
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
