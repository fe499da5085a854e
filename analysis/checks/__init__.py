"""Checks of a session's readings against expected ranges and physics."""

from analysis.checks.run import run_checks

__all__ = ["run_checks"]
