"""Running commands, as the tests of the command line do."""

from __future__ import annotations

from tests.cli.conftest import run, run_json

__all__ = ["run", "run_json"]
