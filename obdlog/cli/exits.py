"""The exit codes of the command line; those of an error stand with the error."""

from __future__ import annotations

from enum import IntEnum

from obdlog.errors import InputFileError, LinkError, NoAnswerError, ObdlogError, RefusedError


class ExitCode(IntEnum):
    """What a command ends with; the numbers are a contract with scripts."""

    DONE = 0
    UNEXPECTED = ObdlogError.exit_code
    USAGE = 2
    LINK = LinkError.exit_code
    SILENT = NoAnswerError.exit_code
    REFUSED = RefusedError.exit_code
    FILE = InputFileError.exit_code
    FOUND = 10
    """What ``--fail-on`` names was found."""
    INTERRUPTED = 130
