"""Who may import whom, read from the import statements (DEVELOPERS.md states the rules)."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LEAVES = {"errors", "model", "units", "clock", "addresses", "modules"}
PURE = LEAVES | {"tables", "adapter", "framing", "services", "codes", "vin"}

MAY_IMPORT = {
    "errors": set(),
    "clock": set(),
    "model": set(),
    "addresses": set(),
    "modules": {"addresses"},
    "units": {"errors"},
    "tables": LEAVES,
    "vin": LEAVES | {"tables"},
    "adapter": LEAVES | {"tables", "transport.base"},
    "framing": LEAVES | {"tables", "adapter", "transport.base"},
    "services": LEAVES | {"tables", "framing", "codes", "vin"},
    "codes": LEAVES | {"tables", "services"},
    "links": LEAVES,
    "session": LEAVES,
    "toml_file": {"errors", "session.format"},
    "case": LEAVES | {"session", "toml_file"},
    "transport": PURE | {"links", "session"},
    "capture": PURE | {"session", "transport.base"},
    "survey": PURE,
    "identity": PURE | {"survey"},
    "history": PURE | {"survey"},
    "case_history": PURE | {"history", "identity", "session", "case"},
    "codes_document": PURE | {"survey", "identity", "history"},
    "documents": PURE | {"survey", "identity", "codes_document"},
    "adapter_check": PURE | {"survey", "client", "poll_plan", "transport.base"},
    "on_uds": PURE | {"survey", "transport.base"},
    "client": PURE | {"survey", "identity", "on_uds", "transport.base"},
    "module_map": LEAVES | {"session.format", "toml_file"},
    "module_search": PURE | {"survey", "client"},
    "discovery": PURE | {"survey", "client", "module_search"},
    "module_dialogue": PURE | {"survey", "client"},
    "module_reading": PURE | {"survey", "client", "module_dialogue", "module_search"},
    "erase": PURE
    | {"survey", "history", "case_history", "client", "module_reading", "module_dialogue"}
    | {"case", "session"}
    | {"transport.base", "transport.recording"},
    "poll_plan": PURE | {"survey", "client"},
    "recorder": PURE | {"client", "poll_plan"},
    "simulator": LEAVES | {"tables", "links.multicast"},
}
ANALYSIS_MAY = PURE | {
    *("session", "case", "survey", "history", "documents", "module_map", "toml_file"),
}
HEAVY = {"numpy", "pandas", "matplotlib", "scipy"}
NO_IO = {"socket", "threading", "time", "serial", "can", "subprocess", "asyncio"}


def imports(path: Path, *, typing: bool = False) -> list[tuple[str, bool]]:
    """Return (module, whether it is at module level and runs) of every import in `path`.

    Those for type checkers only count where `typing` is wanted.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and "TYPE_CHECKING" in ast.dump(block.test)
        for node in ast.walk(block)
    }
    top = {id(node) for node in tree.body}
    found = []
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names = [node.module] + [f"{node.module}.{a.name}" for a in node.names]
        found += [
            (name, id(node) in top) for name in names if typing or id(node) not in typing_only
        ]
    return found


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def part_of(path: Path) -> str:
    return path.relative_to(ROOT / "obdlog").parts[0].removesuffix(".py")


@pytest.mark.parametrize("part", sorted(MAY_IMPORT))
def test_each_part_imports_only_what_its_job_needs(part):
    allowed = MAY_IMPORT[part] | {part}
    wrong = []
    for path in modules("obdlog"):
        if part_of(path) != part:
            continue
        for name, _ in imports(path):
            if name.startswith("analysis"):
                wrong.append(f"{path.name}: {name}")
            if not name.startswith("obdlog."):
                continue
            target = name.removeprefix("obdlog.")
            if not any(target == a or target.startswith(f"{a}.") for a in allowed):
                # ``from obdlog.transport import base`` shows up as both spellings.
                parents = {a.rpartition(".")[0] for a in allowed}
                if target not in parents:
                    wrong.append(f"{path.name}: {name}")
    assert wrong == []


@pytest.mark.parametrize("part", sorted(MAY_IMPORT))
def test_no_part_may_import_more_than_it_does(part):
    """Pure packages come as one group; all else that a part may import, it needs."""
    needed = {
        name.removeprefix("obdlog.")
        for path in modules("obdlog")
        if part_of(path) == part
        for name, _ in imports(path, typing=True)
    }
    spare = MAY_IMPORT[part] - PURE
    assert {a for a in spare if not any(n == a or n.startswith(f"{a}.") for n in needed)} == set()


def test_every_part_is_listed():
    parts = {part_of(p) for p in modules("obdlog")} - {"__init__", "__main__", "cli"}
    assert parts <= set(MAY_IMPORT)


def test_analysis_never_reaches_a_car():
    wrong = []
    for path in modules("analysis"):
        for name, _ in imports(path):
            if name.startswith("obdlog."):
                target = name.removeprefix("obdlog.").split(".")[0]
                if target not in ANALYSIS_MAY and name != "obdlog.__version__":
                    wrong.append(f"{path.name}: {name}")
    assert wrong == []


@pytest.mark.parametrize(
    "part", ["adapter", "framing", "services", "tables", "codes", "survey", "identity", "history"]
)
def test_protocol_logic_does_no_io(part):
    wrong = [
        f"{path.name}: {name}"
        for path in modules("obdlog")
        if part_of(path) == part
        for name, _ in imports(path)
        if name.split(".")[0] in NO_IO
    ]
    assert wrong == []


def test_heavy_packages_are_never_imported_at_module_level():
    wrong = [
        f"{path.relative_to(ROOT)}: {name}"
        for path in modules("obdlog")
        if path.name != "vector.py"
        for name, at_top in imports(path)
        if at_top and name.split(".")[0] in HEAVY | {"analysis"}
    ]
    assert wrong == []


def test_only_the_command_line_prints():
    wrong = [
        path.name
        for package in ("obdlog", "analysis")
        for path in modules(package)
        if "cli" not in path.parts and path.name != "document.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "print"
    ]
    assert wrong == []


NOT_FOR_CODES = {
    *HEAVY, "analysis", "can", "isotp", "bleak", "serial", "msgpack", "jinja2", "asammdf",
}  # fmt: skip
NOT_FOR_HELP = NOT_FOR_CODES | {"asyncio", "obdlog.transport", "obdlog.simulator", "obdlog.capture"}
CODES = ["codes", "--link", "sim://airbox-repair", "--json"]


@pytest.mark.parametrize(
    ("command", "unwanted"),
    [
        (["--help"], NOT_FOR_HELP),
        (CODES, NOT_FOR_CODES),
        ([*CODES, "--every-module"], NOT_FOR_CODES),
    ],
    ids=["help", "codes", "codes of every module"],
)
def test_a_command_loads_only_what_it_needs(command, unwanted):
    script = (
        "import sys\n"
        "from obdlog.cli.app import app\n"
        "try:\n"
        f"    app({command!r})\n"
        "except SystemExit as stop:\n"
        "    assert not stop.code, stop.code\n"
        f"loaded = {unwanted!r} & set(sys.modules)\n"
        "assert not loaded, loaded\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
