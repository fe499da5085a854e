"""Frames of one capture in, whole messages out, each channel and identifier for itself."""

from __future__ import annotations

from typing import NamedTuple

from obdlog.capture.frames import MAX_CLASSIC_BYTES, Kept, Sender
from obdlog.framing.can import CanReassembler
from obdlog.framing.hexlines import Frame


class Message(NamedTuple):
    """A whole message: its first frame came at `began_s`, its last at `at_s` [s]."""

    sender: Sender
    payload: bytes
    began_s: float
    at_s: float


class Assembler:
    """Puts the frames of all senders of a capture together.

    References
    ----------
    ISO 15765-2: frame types; the single frame of CAN FD has its length in the second byte.
    """

    def __init__(self) -> None:
        self._channels: dict[str, CanReassembler] = {}
        self._began_s: dict[Sender, float] = {}

    def add(self, frame: Kept) -> tuple[Message | None, str]:
        """Return the message that `frame` completes, and what went wrong with it."""
        sender, data = frame.sender, frame.data
        if len(data) > MAX_CLASSIC_BYTES:
            kind = data[0] >> 4
            if kind == 0 and data[0] == 0 and 0 < data[1] <= len(data) - 2:
                return Message(sender, data[2 : 2 + data[1]], frame.at_s, frame.at_s), ""
            if kind == 1:
                return None, f"{sender.address}: long message in CAN FD frames is not read"
            return None, "" if kind == 2 else f"{sender.address}: unknown form of a CAN FD frame"
        together = self._channels.get(sender.channel)
        if together is None:
            together = self._channels[sender.channel] = CanReassembler()
        kind = data[0] >> 4
        if kind == 1:
            self._began_s[sender] = frame.at_s
        together.add(Frame(sender.address, data))
        fault = together.faults[0] if together.faults else ""
        together.faults.clear()
        if not together.messages:
            return None, fault
        payload = together.messages[0].payload
        together.messages.clear()
        began_s = self._began_s.get(sender, frame.at_s) if kind == 2 else frame.at_s
        return Message(sender, payload, began_s, frame.at_s), fault

    def finish(self) -> list[tuple[str, str]]:
        """Return channel and text of each message that was never completed."""
        left = []
        for channel, together in self._channels.items():
            together.finish()
            left += [(channel, fault) for fault in together.faults]
        return left
