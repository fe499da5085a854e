"""Frames of one capture in, whole messages out, each channel and identifier for itself."""

from __future__ import annotations

from typing import NamedTuple

from obdlog.capture.frames import MAX_CLASSIC_BYTES, Kept, Sender
from obdlog.framing.can import CanReassembler
from obdlog.framing.hexlines import Frame

_FIRST, _CONSECUTIVE = 1, 2


class Message(NamedTuple):
    """A whole message: its first frame came at `began_s`, its last at `at_s` [s]."""

    sender: Sender
    payload: bytes
    began_s: float
    at_s: float


class Fault(NamedTuple):
    """A message that did not arrive whole: what is wrong with it, and when it began [s]."""

    sender: Sender
    text: str
    began_s: float


class Assembler:
    """Puts the frames of all senders of a capture together.

    References
    ----------
    ISO 15765-2: frame types; the single frame of CAN FD has its length in the second byte.
    """

    def __init__(self) -> None:
        self._channels: dict[str, CanReassembler] = {}
        self._began_s: dict[Sender, float] = {}
        """Of each message that is not whole yet."""

    def add(self, frame: Kept) -> tuple[Message | None, Fault | None]:
        """Return the message that `frame` completes, and what went wrong with it."""
        if len(frame.data) > MAX_CLASSIC_BYTES:
            return self._add_fd(frame)
        sender, kind = frame.sender, frame.data[0] >> 4
        together = self._channels.get(sender.channel)
        if together is None:
            together = self._channels[sender.channel] = CanReassembler()
        together.add(Frame(sender.address, frame.data))
        began_s = self._began_s.get(sender, frame.at_s)
        fault = Fault(sender, together.faults[0], began_s) if together.faults else None
        payload = together.messages[0].payload if together.messages else None
        together.faults.clear()
        together.messages.clear()
        if payload is not None or (fault is not None and kind <= _CONSECUTIVE):
            self._began_s.pop(sender, None)
        if kind == _FIRST:
            self._began_s[sender] = frame.at_s
        if payload is None:
            return None, fault
        return Message(
            sender, payload, began_s if kind == _CONSECUTIVE else frame.at_s, frame.at_s
        ), fault

    def _add_fd(self, frame: Kept) -> tuple[Message | None, Fault | None]:
        """Return the message of a single frame of CAN FD; longer ones are not read."""
        sender, data = frame.sender, frame.data
        kind = data[0] >> 4
        if kind == 0 and data[0] == 0 and 0 < data[1] <= len(data) - 2:
            return Message(sender, data[2 : 2 + data[1]], frame.at_s, frame.at_s), None
        if kind == _CONSECUTIVE:
            return None, None
        what = "long message in CAN FD frames is not read"
        if kind != _FIRST:
            what = "unknown form of a CAN FD frame"
        return None, Fault(sender, f"{sender.address}: {what}", frame.at_s)

    def finish(self) -> list[Fault]:
        """Return each message that was never completed."""
        left = []
        for channel, together in self._channels.items():
            together.finish()
            for text in together.faults:
                address = text.partition(":")[0]
                left += [
                    Fault(sender, text, began_s)
                    for sender, began_s in self._began_s.items()
                    if (sender.channel, sender.address) == (channel, address)
                ]
        return left
