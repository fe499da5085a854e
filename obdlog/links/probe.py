"""Whether an adapter answers on a link."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.links.base import Link
from obdlog.links.speed import NUDGE, ask, looks_like_adapter

LONGEST_IDENTITY = 80


@dataclass(frozen=True, slots=True)
class ProbeResult:
    """Whether an adapter answers on a link, and what it says it is."""

    answers: bool
    identity: str


def probe(link: Link, timeout_s: float = 1.0) -> ProbeResult:
    """Return whether an adapter answers on `link` within twice `timeout_s` [s].

    Sends only the question for the identity, twice at most.

    Raises
    ------
    LinkError
        The link is gone.
    """
    for _ in range(2):
        heard = ask(link, NUDGE, timeout_s)
        if looks_like_adapter(heard):
            return ProbeResult(True, identity_of(heard))
    return ProbeResult(False, "")


def identity_of(heard: bytes) -> str:
    """Return the line of `heard` that states an identity, empty where there is none."""
    lines = heard.replace(b"\x00", b"").decode("ascii", "replace").replace(">", "\r").split("\r")
    for line in lines:
        text = plain(line)
        if text and text not in ("?", "ATI", "STOPPED"):
            return text
    return ""


def plain(text: str | None) -> str:
    """Return what of `text` can be shown, on one line of bounded length."""
    if text is None or text == "n/a":
        return ""
    return "".join(c for c in text if c.isprintable()).strip()[:LONGEST_IDENTITY]
