"""The module map: a TOML file that says which modules a vehicle has and where each is asked.

A workshop writes its own; a case keeps what was found in its ``modules.toml``. ``docs/modules.md``
describes the file for people.
"""

from __future__ import annotations

from obdlog.module_map.reading import (
    CASE_FILE,
    ModuleMap,
    Search,
    case_map,
    case_modules,
    load_module_map,
)
from obdlog.module_map.writing import not_beside, remember, write_module_map

__all__ = [
    "CASE_FILE",
    "ModuleMap",
    "Search",
    "case_map",
    "case_modules",
    "load_module_map",
    "not_beside",
    "remember",
    "write_module_map",
]
