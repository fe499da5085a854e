"""The command line: which commands there are, grouped by the steps of the job.

A command's module is imported when that command runs (or its help is shown), so that the list
of commands costs nothing but this table.
"""

from __future__ import annotations

import importlib
import io
import signal
import sys
from types import FrameType
from typing import Annotated, Any, NamedTuple

import typer
from typer.core import TyperGroup

from obdlog import __version__
from obdlog.cli.errors import reported
from obdlog.cli.exits import ExitCode


class Entry(NamedTuple):
    """One command: its name, module, step of the job and the line that help shows."""

    name: str
    module: str
    step: str
    help: str


LEARN = "Without a car"
CONNECT = "1 Connect"
READ = "2 Read before touching anything"
CLEAR = "3 Clear"
DRIVE = "4 Road test"
JUDGE = "5 Judge and prove"
HAND_OVER = "6 Hand over and exchange"

COMMANDS = (
    Entry("demo", "demo", LEARN, "The whole job against a simulated car, up to the report."),
    Entry("simulate", "simulate", LEARN, "Serve the simulated car to other programs."),
    Entry("decode", "decode", LEARN, "Explain raw replies."),
    Entry("explain", "explain", LEARN, "Explain codes, signals, monitors and parts."),
    Entry("ports", "ports", CONNECT, "Serial ports, and which answer as an adapter."),
    Entry("adapter", "adapter", CONNECT, "Measure what the adapter really can do."),
    Entry("vehicle", "vehicle", CONNECT, "VIN, calibrations, protocol, modules, signals."),
    Entry("codes", "codes", READ, "Codes, lamps and freeze frames, judged with reasons."),
    Entry("readiness", "readiness", READ, "Which monitors are complete, and the counters."),
    Entry("onboard-tests", "onboard_tests", READ, "The car's own test results and limits."),
    Entry("clear", "clear", CLEAR, "Save the evidence, erase, read back, say what is next."),
    Entry("watch", "watch", DRIVE, "Live signals in the terminal."),
    Entry("record", "record", DRIVE, "Record a road-test log."),
    Entry("check", "check", JUDGE, "Readings of a session against expected ranges."),
    Entry("compare", "compare", JUDGE, "Before and after: codes, readings, the repair."),
    Entry("plot", "plot", JUDGE, "Figures from a session."),
    Entry("report", "report", HAND_OVER, "The hand-over report of a case folder."),
    Entry("export", "export", HAND_OVER, "Readings to CSV, Parquet, MDF4; messages to a capture."),
    Entry("import", "import_readings", HAND_OVER, "A CAN capture or CSV readings into a session."),
)
_BY_NAME = {entry.name: entry for entry in COMMANDS}


class LazyGroup(TyperGroup):
    """Finds a command's module only when the command is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002
        """Return the names in the order of the job."""
        return [entry.name for entry in COMMANDS]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002
        """Return the command, importing its module; None when there is none of that name."""
        entry = _BY_NAME.get(cmd_name)
        return _load(entry) if entry else None

    def format_help(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002
        """Print the list of commands from the table alone."""
        print_help()


def _load(entry: Entry) -> Any:
    module = importlib.import_module(f"obdlog.cli.commands.{entry.module}")
    single = typer.Typer(add_completion=False, rich_markup_mode=None)
    single.command(entry.name, help=module.run.__doc__)(reported(module.run))
    return typer.main.get_command(single)


def print_help() -> None:
    """Print what the program does and its commands by step."""
    lines = [
        "Usage: obdlog COMMAND [OPTIONS]",
        "",
        "Read a car, keep the evidence, clear, and prove the repair.",
    ]
    for step in dict.fromkeys(entry.step for entry in COMMANDS):
        lines += ["", step]
        lines += [f"  {e.name:<15}{e.help}" for e in COMMANDS if e.step == step]
    lines += [
        "",
        "  obdlog COMMAND --help   what a command takes",
        "  obdlog --version        the version",
        "",
        "First time, no hardware: obdlog demo",
    ]
    sys.stdout.write("\n".join(lines) + "\n")


def _interrupt(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
    raise KeyboardInterrupt


def _never_fail_to_print() -> None:
    """Have text that the terminal's encoding lacks shown as “?” instead of ending the command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


app = typer.Typer(
    cls=LazyGroup,
    add_completion=True,
    no_args_is_help=False,
    pretty_exceptions_enable=False,
    # Plain help: no markup is read into a unit such as [m], and paragraphs are filled.
    rich_markup_mode=None,
)


@app.callback(invoke_without_command=True)
def root(
    ctx: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Read a car, keep the evidence, clear, and prove the repair."""
    if version:
        sys.stdout.write(f"obdlog {__version__}\n")
        raise typer.Exit
    if ctx.invoked_subcommand is None:
        print_help()
        raise typer.Exit(ExitCode.USAGE)


def main() -> None:
    """Run the command line and leave with its exit code.

    A request to terminate is taken like Ctrl-C: the session is closed, the adapter left usable.
    """
    signal.signal(signal.SIGTERM, _interrupt)
    _never_fail_to_print()
    try:
        reported(app)(prog_name="obdlog")
    except typer.Exit as stop:  # raised by `reported` outside of any command
        sys.exit(stop.exit_code)
