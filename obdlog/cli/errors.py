"""The one place where errors become a sentence on stderr and an exit code."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from typing import ParamSpec, TypeVar

import typer

from obdlog.cli import screen
from obdlog.cli.exits import ExitCode
from obdlog.errors import ObdlogError

P = ParamSpec("P")
R = TypeVar("R")


def reported(command: Callable[P, R]) -> Callable[P, R]:
    """Wrap a command so that no traceback reaches a user.

    Set ``OBDLOG_TRACEBACK=1`` to see where an unexpected fault of ours comes from.
    """

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except ObdlogError as error:
            screen.tell(screen.plain(error).rstrip(".") + "." + _hint(error))
            raise typer.Exit(error.exit_code) from None
        except KeyboardInterrupt:
            screen.tell("Stopped. What was recorded until here is kept.")
            raise typer.Exit(ExitCode.INTERRUPTED) from None
        except BrokenPipeError:
            # The reader of our output went away; nothing is wrong with us.
            sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
            raise typer.Exit(ExitCode.DONE) from None
        except (typer.Exit, typer.Abort, typer.BadParameter):
            raise
        except Exception as error:
            if os.environ.get("OBDLOG_TRACEBACK"):
                raise
            screen.tell(
                f"An unexpected fault of obdlog itself: {type(error).__name__}: "
                f"{screen.plain(error)}. Session files written so far are kept. "
                "Please report it with the output of OBDLOG_TRACEBACK=1."
            )
            raise typer.Exit(ExitCode.UNEXPECTED) from None

    return run


def _hint(error: ObdlogError) -> str:
    return f"\n{screen.plain(error.hint)}" if error.hint else ""
