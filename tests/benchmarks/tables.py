"""What the tables cost: importing their readers and reading them, each in a fresh process.

Times are of the processor, not of the clock. The floor is what any reader of exact numbers in
CSV needs before its first row: the import of ``csv`` and ``fractions`` beside the command line's
own library, which is loaded in any case.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

RUNS = 5
AIM_MS = 30

TABLES = {
    "signals, all PIDs": ("from obdlog.tables.signals import all_signals", "all_signals()"),
    "signals, the index": ("from obdlog.tables.signals import pids_by_name", "pids_by_name()"),
    "lookups": ("from obdlog.tables.lookups import all_lookups", "all_lookups()"),
    "test scalings": ("from obdlog.tables.uasid import all_scalings", "all_scalings()"),
    "info types": ("from obdlog.tables.info_types import info_types", "info_types()"),
    "components": ("from obdlog.codes.data import components", "components()"),
    "kinds of fault": ("from obdlog.codes.data import faults", "faults()"),
    "codes, one family": ("from obdlog.codes.data import code_row", "code_row('P0102')"),
    "codes, all families": ("from obdlog.codes.data import codes", "codes()"),
    "judgement rules": ("from obdlog.codes.judge import load_rules", "load_rules()"),
    "topics": ("from obdlog.codes.topics import signal_topics", "signal_topics()"),
    "advice on codes": ("from obdlog.codes.advice import load_advice", "load_advice()"),
    "explain P0102": ("from obdlog.codes.explain import explain", "explain('P0102')"),
}
"""Import and reading of each table."""

CODES_COMMAND = (
    "import obdlog.survey, obdlog.codes.judge as j\n"
    "from obdlog.codes.data import code_row\n"
    "from obdlog.codes.meaning import describe\n"
    "from obdlog.tables.decode import decode_pid\n"
    "from obdlog.tables.signals import by_pid",
    "j.load_rules()\n"
    "for code in ('P0102', 'P0442', 'P0700', 'P0A0F', 'P2187', 'U0121', 'C0035', 'B0001'):\n"
    "    code_row(code), describe(code)\n"
    "for pid in (0x01, 0x02, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11, 0x42):\n"
    "    by_pid(pid)",
)
"""What ``codes`` needs at most: rules, codes of several families, the usual readings."""

_PROGRAM = """
import sys, time, typer
begin = time.process_time()
{imports}
between = time.process_time()
{work}
end = time.process_time()
sys.stdout.write(f"{{(between - begin) * 1e3}} {{(end - between) * 1e3}}")
"""


def cost_ms(imports: str, work: str = "pass", runs: int = RUNS) -> tuple[float, float]:
    """Return the least processor time of `imports` and of `work` in a fresh process [ms]."""
    program = [sys.executable, "-c", _PROGRAM.format(imports=imports, work=work)]
    found = []
    for _ in range(runs):
        done = subprocess.run(program, check=True, capture_output=True, encoding="utf-8")
        found.append(tuple(map(float, done.stdout.split())))
    return min(one for one, _ in found), min(other for _, other in found)


def measure() -> Iterator[str]:
    """Yield one line a measure."""
    floor_ms, _ = cost_ms("import csv, fractions")
    yield f"tables: the floor, “import csv, fractions”, takes {floor_ms:.1f} ms"
    for name, (imports, work) in TABLES.items():
        import_ms, read_ms = cost_ms(imports, work)
        yield (
            f"table of {name}: importing its reader {import_ms:.1f} ms "
            f"({import_ms / floor_ms:.1f} × the floor), reading it {read_ms:.1f} ms "
            f"({read_ms / floor_ms:.1f} ×)"
        )
    import_ms, read_ms = cost_ms(*CODES_COMMAND)
    yield (
        f"tables that “codes” needs: reading {read_ms:.1f} ms (aim: {AIM_MS}), "
        f"{read_ms / floor_ms:.1f} × the floor; importing what judges them {import_ms:.1f} ms"
    )
