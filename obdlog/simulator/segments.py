"""ISO 15765-2 as a control unit does it: messages cut into frames and put together again.

Nothing here knows a bus or a clock; moments arrive as arguments [s]. It shares no code with the
product's own reader, so that the two ends can disagree.

References
----------
ISO 15765-2: frame types, flow control, separation times, N_Bs and N_Cr of one second.
"""

from __future__ import annotations

from math import inf

TIMEOUT_S = 1.0
"""N_Bs and N_Cr: so long a unit waits for flow control, or for the next consecutive frame."""
MOST_WAITS = 10
"""After so many "wait" in a row the other side is given up."""
FRAME_S = 0.00025
"""About what a frame takes on a bus of 500 kbit/s: no unit sends faster."""

SINGLE, FIRST, CONSECUTIVE, FLOW = 0x0, 0x1, 0x2, 0x3
GO_ON, WAIT, OVERFLOW = 0x0, 0x1, 0x2
_SHORT = 7
_LONGEST_12_BITS = 0xFFF
_RESERVED_S = 0.127


def separation_s(coded: int) -> float:
    """Return the separation time that STmin stands for [s]; reserved values are the longest."""
    if coded <= 0x7F:
        return coded / 1000.0
    if 0xF1 <= coded <= 0xF9:
        return (coded - 0xF0) / 10_000.0
    return _RESERVED_S


def build_flow_control(status: int, block_size: int, separation: int) -> bytes:
    """Return a flow control frame; `separation` is coded as STmin."""
    return bytes([FLOW << 4 | status, block_size, separation])


class Sending:
    """One message on its way out, from `at_s` on."""

    def __init__(self, payload: bytes, at_s: float) -> None:
        self.due_s = at_s
        self._payload = payload
        self._at = 0
        self._number = 0
        self._left = 0
        self._separation_s = 0.0
        self._waits = 0
        self._deadline_s = inf
        self.done = not payload

    def frame(self, now_s: float) -> bytes:
        """Return the frame that is due, and note that it went out at `now_s`."""
        payload = self._payload
        if self._at == 0 and len(payload) <= _SHORT:
            self.done = True
            return bytes([len(payload)]) + payload
        if self._at == 0:
            size = len(payload)
            head = (FIRST << 12 | size).to_bytes(2, "big")
            if size > _LONGEST_12_BITS:
                head = (FIRST << 12).to_bytes(2, "big") + size.to_bytes(4, "big")
            self._at = 8 - len(head)
            self._listen(now_s)
            return head + payload[: self._at]
        self._number = (self._number + 1) & 0x0F
        part = payload[self._at : self._at + 7]
        self._at += len(part)
        self._left -= 1
        if self._at >= len(payload):
            self.done = True
        elif self._left == 0:
            self._listen(now_s)
        else:
            self.due_s = now_s + max(self._separation_s, FRAME_S)
        return bytes([CONSECUTIVE << 4 | self._number]) + part

    def _listen(self, now_s: float) -> None:
        self.due_s, self._deadline_s = inf, now_s + TIMEOUT_S

    def flow_control(self, data: bytes, now_s: float) -> None:
        """Take a flow control; one that nobody waits for, or that is cut short, is ignored."""
        if self._deadline_s == inf or len(data) < 3:
            return
        status = data[0] & 0x0F
        if status == GO_ON:
            self._left = data[1] or -1
            self._separation_s = separation_s(data[2])
            self._waits = 0
            self.due_s, self._deadline_s = now_s + FRAME_S, inf
        elif status == WAIT and self._waits < MOST_WAITS:
            self._waits += 1
            self._deadline_s = now_s + TIMEOUT_S
        else:
            self.done = True

    @property
    def deadline_s(self) -> float:
        """Until when flow control must have come [s]; infinite when none is waited for."""
        return self._deadline_s

    def expire(self, now_s: float) -> None:
        """Give up where flow control did not come in time."""
        if now_s >= self._deadline_s:
            self.done = True


class Receiving:
    """Requests that come in at one identifier, and the flow control that they need.

    `feed` returns the whole request once it is there; what is to be sent stands in `flow`.
    """

    def __init__(self, *, block_size: int = 0, separation: int = 0, largest: int = 0xFFF) -> None:
        self._block_size, self._separation, self._largest = block_size, separation, largest
        self._size = 0
        self._body = b""
        self._number = 0
        self._in_block = 0
        self._deadline_s = -inf
        self.flow: bytes | None = None

    def feed(self, data: bytes, now_s: float) -> bytes | None:
        """Take the data of one frame; return a request that is complete now."""
        self.flow = None
        if not data:
            return None
        kind = data[0] >> 4
        if kind == SINGLE:
            size = data[0]
            self._size = 0
            return data[1 : 1 + size] if 1 <= size <= len(data) - 1 else None
        if kind == FIRST:
            self._begin(data, now_s)
            return None
        if kind == CONSECUTIVE and self._size:
            return self._go_on(data, now_s)
        return None

    def _begin(self, data: bytes, now_s: float) -> None:
        self._size = 0
        size = int.from_bytes(data[:2], "big") & _LONGEST_12_BITS
        # What would fit one frame is no long message, and a short first frame is none at all.
        if len(data) < 8 or 0 < size <= _SHORT:
            return
        if size == 0 or size > self._largest:
            self.flow = build_flow_control(OVERFLOW, 0, 0)
            return
        self._size, self._body, self._number, self._in_block = size, data[2:8], 0, 0
        self._deadline_s = now_s + TIMEOUT_S
        self.flow = build_flow_control(GO_ON, self._block_size, self._separation)

    def _go_on(self, data: bytes, now_s: float) -> bytes | None:
        self._number = (self._number + 1) & 0x0F
        if data[0] & 0x0F != self._number or now_s >= self._deadline_s:
            self._size = 0
            return None
        self._body += data[1:8]
        self._deadline_s = now_s + TIMEOUT_S
        if len(self._body) >= self._size:
            whole, self._size = self._body[: self._size], 0
            return whole
        self._in_block += 1
        if self._in_block == self._block_size:
            self._in_block = 0
            self.flow = build_flow_control(GO_ON, self._block_size, self._separation)
        return None
