"""What did not arrive whole, said where answers are shown, so that nothing looks absent by it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from obdlog.cli import screen


def show_unread(document: Mapping[str, Any]) -> None:
    """Print which requests of a document were not answered whole; nothing where all were."""
    if document["unread"]:
        listed = ", ".join(f"{u['request']} ({u['outcome']})" for u in document["unread"])
        screen.say(f"\nNot shown, since the answer did not arrive whole: {listed}.")
        screen.say("Try again; obdlog adapter tells whether the adapter spoils long answers.")
