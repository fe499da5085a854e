"""Print the measures; they say nothing on a busy machine."""

from __future__ import annotations

import sys
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks import loading, starting, tables


def main() -> None:
    """Print one line a measure."""
    with TemporaryDirectory() as folder:
        for line in chain(loading.measure(Path(folder)), starting.measure(), tables.measure()):
            sys.stdout.write(f"{line}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
