"""A scripted adapter for tests: no simulation, just what it is told to say and when."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence

from obdlog.clock import Clock, ManualClock
from obdlog.errors import LinkClosedError

Piece = tuple[float, bytes]
Script = bytes | None | BaseException | Sequence[Piece]
"""What follows one command: text, silence, a failure, or pieces after so many seconds each."""

BANNER = b"TEST100 v1.5"
DELAY_S = 0.02

FIRST = "7E8064100BE3EA813"
SET_UP: dict[str, Script] = {
    "ATI": BANNER + b"\r\r>",
    "ATZ": b"ATZ\r\r\r" + BANNER + b"\r\r>",
    "ATE0": b"ATE0\rOK\r\r>",
    "AT@1": b"SCRIPTED DEVICE\r\r>",
    "ATRV": b"12.4V\r\r>",
    "ATDPN": b"A6\r\r>",
    "0100": f"SEARCHING...\r{FIRST}\r\r>".encode(),
}


def said(*lines: str) -> bytes:
    """Return lines as an adapter ends them, and its prompt."""
    return "".join(f"{line}\r" for line in lines).encode("latin-1") + b"\r>"


class FakeAdapter:
    """A link whose far end answers from `script`: a command's entries in turn, the last again.

    AT commands that are not in it are accepted, others bring no data. Whatever is sent while
    an answer is due interrupts it, as with real adapters.
    """

    def __init__(
        self,
        script: Mapping[str, Script | list[Script]] | None = None,
        clock: ManualClock | None = None,
    ) -> None:
        self.url = "fake://adapter"
        self.time = clock or ManualClock()
        self.clock: Clock = self.time
        self.sent: list[str] = []
        self.closed = 0
        self.bauds: list[int] = []
        self.unplugged: BaseException | None = None
        self.interrupt_reads: deque[BaseException] = deque()
        self._script: dict[str, deque[Script]] = {}
        for command, entry in {**SET_UP, **(script or {})}.items():
            self._script[command] = deque(entry if _is_list(entry) else [entry])  # type: ignore[list-item, arg-type]
        self._due: deque[Piece] = deque()
        self._line = b""

    def say(self, text: bytes, after_s: float = 0.0) -> None:
        """Let the adapter say `text` unasked."""
        self._due.append((self.time.now_s() + after_s, text))

    def read(self, timeout_s: float) -> bytes:
        self._check()
        if self.interrupt_reads:
            raise self.interrupt_reads.popleft()
        until_s = self.time.now_s() + max(0.0, timeout_s)
        if self._due and self._due[0][0] <= until_s:
            at_s, text = self._due.popleft()
            self.time.sleep_s(at_s - self.time.now_s())
            return text
        self.time.sleep_s(timeout_s)
        return b""

    def write(self, data: bytes) -> None:
        self._check()
        if any(at_s > self.time.now_s() for at_s, _ in self._due):
            self._due = deque(p for p in self._due if p[0] <= self.time.now_s())
            self.say(b"STOPPED\r\r>")
            data = data[1:]  # the character that interrupts is lost
        self._line += data
        while b"\r" in self._line:
            line, _, self._line = self._line.partition(b"\r")
            self._answer(line.decode("latin-1"))

    def set_baud(self, baud: int) -> None:
        self._check()
        self.bauds.append(baud)

    def close(self) -> None:
        self.closed += 1

    def sent_since_set_up(self) -> list[str]:
        """Return what was sent after the protocol had been asked for."""
        return self.sent[self.sent.index("ATDPN") + 1 :]

    def _answer(self, command: str) -> None:
        self.sent.append(command)
        entries = self._script.get(command)
        if entries is None:
            known = command.startswith("AT")
            entry: Script = b"OK\r\r>" if known else b"NO DATA\r\r>"
            if command and not known and any(c not in "0123456789ABCDEF" for c in command):
                entry = b"?\r\r>"
        else:
            entry = entries[0] if len(entries) == 1 else entries.popleft()
        if entry is None:
            return
        if isinstance(entry, BaseException):
            self.unplugged = entry
            return
        pieces = [(DELAY_S, entry)] if isinstance(entry, bytes) else entry
        for after_s, text in pieces:
            self.say(text, after_s)

    def _check(self) -> None:
        if self.unplugged is not None:
            raise self.unplugged
        if self.closed:
            raise LinkClosedError("closed")


def _is_list(entry: object) -> bool:
    """Return whether `entry` is a list of scripts; a tuple is one script in pieces."""
    return isinstance(entry, list)
