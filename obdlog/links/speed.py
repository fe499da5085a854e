"""Finds the speed at which an adapter on a serial port talks, by asking at each."""

from __future__ import annotations

from collections.abc import Sequence

from obdlog.errors import LinkError
from obdlog.links.base import Link

SPEEDS = (38400, 115200, 9600, 57600, 230400, 500000)
NUDGE = b"ATI\r"
"""Asks who is there. A bare carriage return would not do: by common practice (no source) it makes
such adapters repeat their last command, and the last program's may have been an erase."""

PER_SPEED_S = 0.6
MOST_BYTES = 4096


def looks_like_adapter(data: bytes) -> bool:
    """Return whether `data` is readable text that ends in the adapter's prompt.

    NULs are ignored, as some adapters send them. At a wrong speed what arrives has bytes that
    are not ASCII; a device that is no adapter sends no prompt, or more after it.
    """
    text = data.replace(b"\x00", b"").rstrip(b" \r\n")
    if not text.endswith(b">") or len(text) > MOST_BYTES:
        return False
    return all(32 <= byte < 127 or byte in b"\r\n\t" for byte in text)


def ask(link: Link, question: bytes, timeout_s: float) -> bytes:
    """Return what `link` sends within `timeout_s` [s] of `question`, at most up to a prompt."""
    deadline_s = link.clock.now_s() + timeout_s
    drain(link)
    link.write(question)
    heard = b""
    while (left_s := deadline_s - link.clock.now_s()) > 0 and len(heard) < MOST_BYTES:
        heard += link.read(left_s)
        if heard.rstrip(b" \r\n\x00").endswith(b">"):
            break
    return heard


def drain(link: Link) -> None:
    """Throw away what has arrived so far, a bounded amount."""
    taken = 0
    while taken < 16 * MOST_BYTES and (data := link.read(0.0)):
        taken += len(data)


def find_speed(link: Link, speeds: Sequence[int] = SPEEDS) -> int | None:
    """Return the speed [bit/s] at which an adapter answers, None where none does.

    The link stays at that speed. Each speed gets a second question, because the first may meet
    an unfinished line or an operation that it only interrupts.

    Raises
    ------
    LinkError
        The link is gone. A speed that the port does not take is passed over.
    """
    for speed in speeds:
        try:
            link.set_baud(speed)
        except LinkError:
            continue
        for _ in range(2):
            if looks_like_adapter(ask(link, NUDGE, PER_SPEED_S)):
                return speed
    return None
