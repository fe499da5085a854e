"""A terminal on a simulated adapter, for byte-level dialogues."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from obdlog.simulator.link import SimLink


class Terminal:
    """Types commands and returns what the adapter prints, up to its prompt."""

    def __init__(self, link: SimLink) -> None:
        self.link = link

    def ask(self, command: str) -> bytes:
        """Return the raw bytes that answer one command."""
        self.link.write(command.encode("latin-1") + b"\r")
        return self.listen()

    def listen(self, patience_s: float = 20.0) -> bytes:
        """Return what arrives up to the prompt, or within the patience."""
        found = b""
        while not found.endswith(b">"):
            more = self.link.read(patience_s)
            if not more:
                break
            found += more
        return found

    def ready(self, *commands: str) -> Terminal:
        """Reset, switch echo off, connect, and obey further commands."""
        for command in ("ATZ", "ATE0", "0100", *commands):
            self.ask(command)
        return self

    def lines(self, command: str) -> list[str]:
        """Return the lines that answer a command, without the prompt."""
        text = self.ask(command).decode("latin-1").rstrip(">")
        return [line.strip() for line in text.split("\r") if line.strip()]

    def payload(self, command: str, source: str = "7E8") -> bytes:
        """Return one ECU's payload on 11-bit CAN, put together by hand (headers on, no spaces)."""
        frames = [
            bytes.fromhex(line[3:]) for line in self.lines(command) if line.startswith(source)
        ]
        if not frames:
            return b""
        if frames[0][0] >> 4 == 0:
            return frames[0][1 : 1 + frames[0][0]]
        length = int.from_bytes(frames[0][:2], "big") & 0x0FFF
        return (frames[0][2:] + b"".join(f[1:] for f in frames[1:]))[:length]


@pytest.fixture
def plug_in() -> Callable[..., Terminal]:
    """Return a maker of terminals: scenario and options of `SimLink`."""

    def plug(scenario: str = "healthy-petrol", **options: Any) -> Terminal:
        return Terminal(SimLink(scenario, **options))

    return plug
