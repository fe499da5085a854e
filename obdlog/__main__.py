"""``python -m obdlog``."""

from __future__ import annotations

from obdlog.cli.app import main

main()
