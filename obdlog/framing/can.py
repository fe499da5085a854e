"""Reassembly of ISO 15765-2 messages from the frames an adapter shows, per source.

Flow control is the adapter's own business. Whatever arrives, a message comes out only when
every byte of it was there and in order; anything else becomes a fault.

References
----------
ISO 15765-2 (frame types, sequence numbers, lengths), ISO 15765-4 (normal addressing).
"""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.framing.hexlines import Frame
from obdlog.model import UNKNOWN_SOURCE, EcuMessage

MAX_MESSAGE_BYTES = 0xFFFF
"""Bound on the 32-bit length of long messages; no legislated reply comes near 4095."""

_SINGLE, _FIRST, _CONSECUTIVE, _FLOW_CONTROL = range(4)
_FIRST_BYTES = 6
_CONSECUTIVE_BYTES = 7
_MAX_SINGLE = 7
_MAX_12_BIT = 0xFFF


@dataclass(slots=True)
class _Partial:
    """A message whose first frame came."""

    length: int
    data: bytearray
    sequence: int = 1


class CanReassembler:
    """Takes frames in the order of arrival; `messages` and `faults` grow."""

    def __init__(self) -> None:
        self.messages: list[EcuMessage] = []
        self.faults: list[str] = []
        self._partials: dict[str, _Partial] = {}
        self._ignored: set[str] = set()

    def add(self, frame: Frame) -> None:
        """Take one frame."""
        kind = frame.data[0] >> 4
        if kind == _SINGLE:
            self._single(frame)
        elif kind == _FIRST:
            self._first(frame)
        elif kind == _CONSECUTIVE:
            self._consecutive(frame)
        elif kind != _FLOW_CONTROL:
            self._fault(frame.source, f"unknown frame type {kind:X}")

    def finish(self) -> None:
        """Report the messages that were never completed."""
        for source, partial in self._partials.items():
            self._fault(source, f"message ends after {len(partial.data)} of {partial.length} bytes")
        self._partials.clear()

    def _fault(self, source: str, text: str) -> None:
        self.faults.append(f"{source}: {text}")

    def _begin(self, source: str) -> None:
        """Close whatever is open: a new message of `source` begins."""
        self._ignored.discard(source)
        partial = self._partials.pop(source, None)
        if partial is not None:
            self._fault(
                source, f"message broken off after {len(partial.data)} of {partial.length} bytes"
            )

    def _single(self, frame: Frame) -> None:
        self._begin(frame.source)
        length = frame.data[0] & 0x0F
        data = frame.data[1 : 1 + length]
        if not 1 <= length <= _MAX_SINGLE:
            self._fault(frame.source, f"single frame that claims {length} bytes")
        elif len(data) < length:
            self._fault(frame.source, f"single frame of {length} bytes holds only {len(data)}")
        else:
            self.messages.append(EcuMessage(frame.source, data))

    def _first(self, frame: Frame) -> None:
        self._begin(frame.source)
        # Until a sound first frame is known, the frames that follow belong to nothing.
        self._ignored.add(frame.source)
        if len(frame.data) != 2 + _FIRST_BYTES:
            self._fault(frame.source, "first frame of fewer than eight bytes")
            return
        length = int.from_bytes(frame.data[:2]) & _MAX_12_BIT
        data = frame.data[2:]
        if length == 0:
            length = int.from_bytes(frame.data[2:6])
            data = frame.data[6:]
            if length <= _MAX_12_BIT:
                self._fault(frame.source, f"long first frame with length {length}; ignored")
                return
        elif length <= _MAX_SINGLE:
            self._fault(frame.source, f"first frame with length {length}; ignored")
            return
        if length > MAX_MESSAGE_BYTES:
            self._fault(frame.source, f"message of {length} bytes is beyond the bound; ignored")
            return
        self._ignored.discard(frame.source)
        self._partials[frame.source] = _Partial(length, bytearray(data))

    def _consecutive(self, frame: Frame) -> None:
        source = frame.source
        partial = self._partials.get(source)
        if partial is None:
            if source not in self._ignored:
                self._ignored.add(source)
                self._fault(source, "consecutive frame without a first frame")
            return
        sequence = frame.data[0] & 0x0F
        wanted = min(_CONSECUTIVE_BYTES, partial.length - len(partial.data))
        if sequence != partial.sequence:
            problem = f"frame {sequence:X} where {partial.sequence:X} is due"
        elif len(frame.data) - 1 < wanted:
            problem = f"frame {sequence:X} is cut short"
        else:
            partial.data += frame.data[1 : 1 + wanted]
            partial.sequence = (partial.sequence + 1) & 0x0F
            if len(partial.data) == partial.length:
                self.messages.append(EcuMessage(source, bytes(partial.data)))
                del self._partials[source]
            return
        del self._partials[source]
        self._ignored.add(source)
        self._fault(source, f"{problem}; message dropped")


class HeaderlessReassembler:
    """The form without headers: a length line, then numbered lines; or whole short messages.

    Nothing in it says who sent a line. Lines of two modules that mix cannot be told apart, so
    all that mixed are dropped.
    """

    def __init__(self) -> None:
        self.messages: list[EcuMessage] = []
        self.faults: list[str] = []
        self._partial: _Partial | None = None
        self._mixed = False

    def length_line(self, length: int) -> None:
        """Take a line that announces a message of `length` bytes."""
        if self._partial is not None:
            self._drop("a second message begins before the first is whole; senders unknown")
        elif length <= _MAX_SINGLE:
            self._drop(f"long message with length {length}")
        elif not self._mixed:
            self._partial = _Partial(length, bytearray(), sequence=0)

    def numbered_line(self, number: int, data: bytes) -> None:
        """Take a line that bears a number."""
        partial = self._partial
        if partial is None:
            if not self._mixed:
                self._drop("numbered line without a length line")
            return
        full = _CONSECUTIVE_BYTES if partial.data else _FIRST_BYTES
        wanted = min(full, partial.length - len(partial.data))
        if number != partial.sequence:
            self._drop(f"line {number:X} where {partial.sequence:X} is due; senders may be mixed")
        elif not wanted <= len(data) <= full:
            self._drop(f"line {number:X} holds {len(data)} bytes, not {wanted}")
        else:
            partial.data += data[:wanted]
            partial.sequence = (partial.sequence + 1) & 0x0F
            if len(partial.data) == partial.length:
                self.messages.append(EcuMessage(UNKNOWN_SOURCE, bytes(partial.data)))
                self._partial = None

    def finish(self) -> None:
        """Report a message that was never completed."""
        if self._partial is not None:
            partial = self._partial
            self._drop(f"message ends after {len(partial.data)} of {partial.length} bytes")

    def _drop(self, problem: str) -> None:
        # What follows may be the rest of either message: no numbered line is trusted again.
        self._partial = None
        self._mixed = True
        self.faults.append(f"{problem}; dropped")
