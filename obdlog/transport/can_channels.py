"""ISO 15765-2 with each module of a CAN bus: a state machine of can-isotp per pair of addresses.

Everything runs in the caller's thread: frames are fed in, `pump` moves what they set going. What
breaks the rules of the layer becomes a sentence in `faults`, never an exception.

References
----------
ISO 15765-2 (frames, flow control, separation time), ISO 15765-4 (identifiers, eight data bytes).
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import isotp

LARGEST_MESSAGE = 0xFFFF
"""Bound on the 32-bit length of long messages; no legislated reply comes near 4095."""

MOST_CHANNELS = 64
"""So many modules at once are no diagnosis."""

MOST_WAITS = 20
"""So many times in a row a module may ask to wait before a long request goes on."""

MOST_SINGLE = 7
"""So many bytes fit one frame."""

_SINGLE, _FIRST, _CONSECUTIVE, _FLOW_CONTROL = range(4)
_FRAME_BYTES = 8
_MAX_12_BIT = 0xFFF
_LONGEST_SEPARATION = 0x7F


@dataclass(frozen=True, slots=True)
class CanFrame:
    """One data frame: `identifier` as text, three digits (11 bit) or eight (29 bit)."""

    identifier: str
    data: bytes


_LOGGER = "obdlog.isotp"
_NO_HANDLER = logging.NullHandler()

Send = Callable[[CanFrame], None]


def sound(frame: CanFrame) -> CanFrame | None:
    """Return `frame` as can-isotp may have it, None where ISO 15765-2 wants it ignored.

    A first frame whose length would have fitted a single frame is ignored. A reserved separation
    time means the longest one, 127 ms (from memory).
    """
    data = frame.data[:_FRAME_BYTES]
    if not data:
        return None
    kind = data[0] >> 4
    if kind == _FIRST:
        if len(data) < _FRAME_BYTES:
            return None
        length = int.from_bytes(data[:2]) & _MAX_12_BIT
        if length == 0:
            length = int.from_bytes(data[2:6])
            if length <= _MAX_12_BIT:
                return None
        elif length <= MOST_SINGLE:
            return None
    elif kind == _FLOW_CONTROL:
        if len(data) < 3:
            return None
        wait = data[2]
        if not (wait <= _LONGEST_SEPARATION or 0xF1 <= wait <= 0xF9):
            data = data[:2] + bytes([_LONGEST_SEPARATION]) + data[3:]
    elif kind > _FLOW_CONTROL:
        return None
    return CanFrame(frame.identifier, data)


def is_flow_control(frame: CanFrame) -> bool:
    """Return whether `frame`, which is sound, asks for the rest of a message."""
    return frame.data[0] >> 4 == _FLOW_CONTROL


def single_payload(frame: CanFrame) -> bytes | None:
    """Return the message that `frame` alone is, None where it is only part of one."""
    length = frame.data[0]
    whole = 1 <= length <= MOST_SINGLE and len(frame.data) > length
    return frame.data[1 : 1 + length] if whole else None


class Channel:
    """The talk with one module, which listens to `request` and answers from `response`."""

    def __init__(self, request: str, response: str, send: Send) -> None:
        import isotp

        # It logs each fault beside reporting it, which would end up on the user's screen.
        logging.getLogger(_LOGGER).addHandler(_NO_HANDLER)
        self.request, self.response = request, response
        self.faults: list[str] = []
        self._send_frame = send
        self._frame: CanFrame | None = None
        wide = len(request) > 3
        mode = isotp.AddressingMode.Normal_29bits if wide else isotp.AddressingMode.Normal_11bits
        self._wide = wide
        self._message = isotp.CanMessage
        self._logic = isotp.TransportLayerLogic(
            self._receive,
            self._send,
            address=isotp.Address(mode, txid=int(request, 16), rxid=int(response, 16)),
            error_handler=self._note,
            params={
                "stmin": 0,
                "blocksize": 0,
                "tx_padding": 0x00,
                "tx_data_min_length": _FRAME_BYTES,
                "max_frame_size": LARGEST_MESSAGE,
                "wftmax": MOST_WAITS,
                "logger_name": _LOGGER,
            },
        )

    def feed(self, frame: CanFrame) -> list[bytes]:
        """Take one frame of the module and return the messages that it completes."""
        self._frame = frame
        return self.pump()

    def pump(self) -> list[bytes]:
        """Move what is due (frames to send, time limits) and return complete messages."""
        self._logic.process()
        messages = []
        while (message := self._logic.recv()) is not None:
            messages.append(bytes(message))
        return messages

    def send(self, payload: bytes) -> None:
        """Begin to send `payload`; `pump` until not `sending`."""
        self._logic.send(payload)

    @property
    def sending(self) -> bool:
        """Whether a message is on its way to the module."""
        return bool(self._logic.transmitting())

    @property
    def receiving(self) -> bool:
        """Whether a message of the module has begun and is not whole."""
        return bool(self._logic.is_rx_active())

    def next_due_s(self) -> float:
        """Return how long nothing need be pumped [s]."""
        delay = self._logic.next_cf_delay()
        return 0.02 if delay is None else max(0.0, min(delay, 0.02))

    def reset(self) -> None:
        """Forget half messages in both directions, and the faults."""
        self._logic.reset()
        self._frame = None
        self.faults.clear()

    def _receive(self, _: float = 0.0) -> isotp.CanMessage | None:
        frame, self._frame = self._frame, None
        if frame is None:
            return None
        return self._message(
            arbitration_id=int(frame.identifier, 16), data=frame.data, extended_id=self._wide
        )

    def _send(self, message: isotp.CanMessage) -> None:
        digits = 8 if self._wide else 3
        self._send_frame(CanFrame(f"{message.arbitration_id:0{digits}X}", bytes(message.data)))

    def _note(self, error: Any) -> None:
        if len(self.faults) < 10:
            self.faults.append(f"{self.response}: {_words(error)}")


_WORDS = {
    "WrongSequenceNumberError": "a frame of a long message is lost, doubled or out of order; two "
    "modules may answer with this identifier",
    "UnexpectedConsecutiveFrameError": "a frame in the middle of a message without its beginning",
    "ConsecutiveFrameTimeoutError": "a long message ends before it is whole",
    "FlowControlTimeoutError": "the module does not let a long request go on",
    "ReceptionInterruptedWithSingleFrameError": "a message is broken off by another; two modules "
    "may answer with this identifier",
    "ReceptionInterruptedWithFirstFrameError": "a message is broken off by another; two modules "
    "may answer with this identifier",
    "FrameTooLongError": "a message beyond the bound; not taken",
    "OverflowError": "the module has no room for the request",
    "InvalidCanDataError": "a frame that is none of ISO 15765-2",
}


def _words(error: Any) -> str:
    return _WORDS.get(type(error).__name__, f"transport layer fault ({type(error).__name__})")
