"""The driver of a served car: does to key and pedals what lines of words say."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import threading
from collections.abc import Callable
from typing import TextIO

from obdlog.errors import LinkOpenError
from obdlog.simulator.car import KEY_OFF_S, SimulatedCar

Told = Callable[[str], None]

WORDS = "off, on, start, drive NAME, key-cycle"

_DONE = {
    "off": "The key is off: no unit answers.",
    "on": "The key is on, the engine stands.",
    "start": "The engine is being started.",
}
_LONGEST_LINE = 200
_MOST_WAITING = 100


class Driver:
    """Takes lines from any thread and obeys them where the car is served."""

    def __init__(self, told: Told) -> None:
        self._told = told
        self._lines: queue.Queue[str] = queue.Queue(_MOST_WAITING)

    def take(self, line: str) -> None:
        """Take a line; when far too many wait already it is lost."""
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(line[:_LONGEST_LINE])

    def attend(self, car: SimulatedCar) -> None:
        """Do all that was asked for and say what came of it."""
        while True:
            try:
                line = self._lines.get_nowait()
            except queue.Empty:
                return
            if line.strip():
                self._told(obey(car, line))

    def listen(self, stream: TextIO) -> None:
        """Take the lines of `stream` from now on, in a thread of its own until it ends."""
        threading.Thread(target=self._read, args=(stream,), daemon=True).start()

    def _read(self, stream: TextIO) -> None:
        try:
            descriptor = stream.fileno()
        except (OSError, ValueError):
            for line in stream:
                self.take(line)
            return
        # Not by the stream itself: its lock must be free when the program ends.
        held = b""
        with contextlib.suppress(OSError):
            while got := os.read(descriptor, 4096):
                *whole, held = (held + got).split(b"\n")
                held = held[:_LONGEST_LINE]
                for raw in whole:
                    self.take(raw.decode("utf-8", "replace"))
        self.take(held.decode("utf-8", "replace"))


def obey(car: SimulatedCar, line: str) -> str:
    """Do what one line says, and return what was done in a sentence."""
    word, _, rest = " ".join(line.split()).partition(" ")
    word = word.lower()
    if word == "drive" and rest:
        try:
            car.drive(rest)
        except LinkOpenError as error:
            return f"{error}; {error.hint}" if error.hint else str(error)
        return f"The driver follows {rest}."
    if word == "key-cycle" and not rest:
        car.after_key_cycle()
        return f"The key was off for {KEY_OFF_S:.0f} s of the car's time and is on again."
    if word in _DONE and not rest:
        car.key(word)
        return _DONE[word]
    return f"The driver knows these words: {WORDS}."


def at_terminal(stream: TextIO) -> bool:
    """Return whether somebody types at `stream`, and to this program.

    A program in the background that reads its terminal is stopped; where that happens later on,
    reading ends instead.
    """
    try:
        descriptor = stream.fileno()
        if not os.isatty(descriptor):
            return False
        if not hasattr(signal, "SIGTTIN"):
            return True
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)
        return os.tcgetpgrp(descriptor) == os.getpgrp()
    except (OSError, ValueError):
        return False
