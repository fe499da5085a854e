"""What it costs to start."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

from tests.benchmarks.loading import best_s


def _run(*args: str) -> None:
    subprocess.run([sys.executable, *args], check=True, stdout=subprocess.DEVNULL)


def measure() -> Iterator[str]:
    """Yield one line a measure."""
    help_s = best_s(lambda: _run("-m", "obdlog", "--help"))
    typer_s = best_s(lambda: _run("-c", "import typer"))
    yield f"obdlog --help: {help_s / typer_s:.2f} × “import typer” (aim: 1.5)"
