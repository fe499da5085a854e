"""The console of all output; imports rich, so import it only where something is printed."""

from __future__ import annotations

from rich.console import Console


class Terminal(Console):
    """A console whose reader may go away: that is for the command to notice, not an exit here."""

    def on_broken_pipe(self) -> None:
        """Pass it on, instead of leaving with an exit code of rich's own.

        Raises
        ------
        BrokenPipeError
            Always.
        """
        raise BrokenPipeError
