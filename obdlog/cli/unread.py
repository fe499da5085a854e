"""What did not arrive whole, said where answers are shown, so that nothing looks absent by it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from obdlog.cli import screen
from obdlog.documents import UNREADABLE


def show_unread(document: Mapping[str, Any]) -> None:
    """Print which requests of a document were not answered whole; nothing where all were."""
    cut = [u for u in document["unread"] if u["outcome"] != UNREADABLE]
    if cut:
        listed = ", ".join(f"{u['request']} ({u['outcome']})" for u in cut)
        screen.say(f"\nNot shown, since the answer did not arrive whole: {listed}.")
        screen.say("Try again; obdlog adapter tells whether the adapter spoils long answers.")
    if odd := ", ".join(u["request"] for u in document["unread"] if u not in cut):
        screen.say(f"\nNot shown, since the answer is not laid out as the standard says: {odd}.")
