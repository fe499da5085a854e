"""What is kept of a capture while it is read: what was seen, and the frames that may matter."""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from obdlog.session.format import printable

if TYPE_CHECKING:
    from can import Message

MOST_FRAMES = 50_000_000
MOST_KEPT_FRAMES = 10_000_000
"""Frames that may be diagnostic; each costs about 30 bytes of memory."""

ECHO_WITHIN_S = 0.001
"""A frame again this soon is the same one logged twice: ours; eight bytes take a fifth of this at
500 kbit/s, and no tester repeats itself so fast."""

STAMP_ERROR_S = 1e-6
MOST_NOTES = 100
LATEST_STAMP_S = 1e11
MAX_CLASSIC_BYTES = 8
_BYTES_FD = frozenset({0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64})
_JUDGED_AFTER = 50
_MAX_29_BIT = 0x1FFF_FFFF
_MAX_11_BIT = 0x7FF
_FIRST_CANDIDATE = 0x700
_DIAGNOSTIC_29 = frozenset({0x18DA, 0x18DB})


class UnreadableError(Exception):
    """A file is no capture of its kind; the text goes on after the file's name."""


class Line(NamedTuple):
    """A line of a text file, or a frame of a binary one, that was left out, and why."""

    number: int
    reason: str


class Sender(NamedTuple):
    """One identifier on one channel of the capture."""

    channel: str
    identifier: int
    extended: bool

    @property
    def address(self) -> str:
        """The identifier as upper-case hexadecimal text, three digits or eight."""
        return f"{self.identifier:08X}" if self.extended else f"{self.identifier:03X}"


class Kept(NamedTuple):
    """A frame that may be diagnostic; `at_s` counts from the first frame of the capture [s]."""

    at_s: float
    sender: Sender
    data: bytes


@dataclass
class Tally:
    """What was seen in a capture; `damage` says where a binary file could not be read on."""

    frames: int = 0
    error_frames: int = 0
    remote_frames: int = 0
    fd_frames: int = 0
    skipped: int = 0
    skipped_lines: list[Line] = field(default_factory=list)
    odd_times: int = 0
    echoes: int = 0
    damage: str = ""

    def skip(self, number: int, reason: str) -> None:
        """Count a line or frame that is left out."""
        self.skipped += 1
        if len(self.skipped_lines) < MOST_NOTES:
            self.skipped_lines.append(Line(number, printable(reason, 160)))


def problem_of(message: Message) -> str:
    """Return why `message` is no frame that a CAN bus carries, empty where it is one."""
    stamp, identifier = message.timestamp, message.arbitration_id
    if not isinstance(stamp, (int, float)) or not isinstance(identifier, int):
        return "has a time or identifier that is no number"
    if not 0.0 <= stamp <= LATEST_STAMP_S:  # false for what is not a number, too
        return "has no possible time"
    if not 0 <= identifier <= (_MAX_29_BIT if message.is_extended_id else _MAX_11_BIT):
        return f"has an identifier beyond {29 if message.is_extended_id else 11} bits"
    if message.is_error_frame or message.is_remote_frame:
        return ""
    held, claimed = len(message.data), message.dlc
    if not message.is_fd and held == MAX_CLASSIC_BYTES < claimed <= max(_BYTES_FD):
        return ""  # length codes 9 to 15 mean eight bytes here, up to 64 on CAN FD (from memory)
    if held != claimed:
        return f"claims {claimed} data bytes and holds {held}"
    if held > MAX_CLASSIC_BYTES and (not message.is_fd or held not in _BYTES_FD):
        return f"holds {held} data bytes"
    return ""


class Steady:
    """Times counted from the first, that never fall.

    Buffers of two channels may be written a little out of order: such a frame gets the time of
    the one before. A step back of more than `most_back_s`, or ahead of more than `most_ahead_s`,
    is a clock that was set, or a second capture behind the first: what follows goes on from
    there. All of these are `odd`.
    """

    most_back_s = 1.0
    most_ahead_s = 30 * 24 * 3600.0

    def __init__(self) -> None:
        self.first_stamp_s = math.nan
        self.at_s = 0.0
        self.odd = 0
        self.shortest_s = math.inf
        """Shortest time between two frames that differ in their times [s]."""
        self._zero_s = 0.0

    def place(self, stamp_s: float) -> float:
        """Return the time of a frame with this stamp [s]."""
        if math.isnan(self.first_stamp_s):
            self.first_stamp_s = self._zero_s = stamp_s
        at_s = stamp_s - self._zero_s
        step_s = at_s - self.at_s
        if 0 < step_s < self.shortest_s:
            self.shortest_s = step_s
        if 0 <= step_s <= self.most_ahead_s:
            self.at_s = at_s
            return at_s
        self.odd += 1
        if not -self.most_back_s <= step_s < 0:
            self._zero_s = stamp_s - self.at_s
        return self.at_s


class Store:
    """Frames that may be diagnostic, in file order, at a few bytes each.

    A program that hears what it sends may log such a frame twice: a frame with the identifier and
    data of the last one of its sender and its time is an echo. `frames` passes over echoes where
    `tells_echoes`, as where times stand still all frames have one time.
    """

    def __init__(self) -> None:
        self.tells_echoes = False
        self.senders: list[Sender] = []
        self._codes: dict[Sender, int] = {}
        self._at_s = array("d")
        self._code = array("H")
        self._end = array("Q")
        self._data = bytearray()
        self._odd: list[int] = []
        self._seen: list[int] = []
        self._body: set[int] = set()
        self._last: list[tuple[float, bytes]] = []
        self._echoes = array("Q")

    def __len__(self) -> int:
        return len(self._at_s)

    @property
    def echoes(self) -> int:
        """How many frames `frames` passes over as echoes."""
        if not self.tells_echoes:
            return 0
        return sum(self._code[place] not in self._body for place in self._echoes)

    @property
    def size_bytes(self) -> int:
        """Memory that the kept frames take [bytes]."""
        columns = (self._at_s, self._code, self._end, self._echoes)
        return sum(len(c) * c.itemsize for c in columns) + len(self._data)

    def add(self, at_s: float, sender: Sender, data: bytes | bytearray) -> bool:
        """Keep a frame of the time `at_s` [s]; False when there is no room for one more.

        An identifier whose frames mostly do not have the form of ISO 15765-2 is body traffic, and
        no more of it is kept.
        """
        code = self._codes.get(sender)
        if code is None:
            if len(self.senders) > 0xFFFE:
                return False
            code = self._codes[sender] = len(self.senders)
            self.senders.append(sender)
            self._odd.append(0)
            self._seen.append(0)
            self._last.append((-math.inf, b""))
        if code in self._body:
            return True
        if not is_legislated(sender):
            self._seen[code] += 1
            self._odd[code] += not has_transport_form(data)
            if self._seen[code] >= _JUDGED_AFTER and 2 * self._odd[code] > self._seen[code]:
                self._body.add(code)
                return True
        if len(self._at_s) >= MOST_KEPT_FRAMES:
            return False
        last_s, last = self._last[code]
        if at_s - last_s <= ECHO_WITHIN_S + STAMP_ERROR_S and data == last:
            self._echoes.append(len(self._at_s))
        else:
            self._last[code] = at_s, bytes(data)
        self._at_s.append(at_s)
        self._code.append(code)
        self._data += data
        self._end.append(len(self._data))
        return True

    def frames(self) -> Iterator[Kept]:
        """Yield the frames of all that was not found to be body traffic."""
        start = 0
        echoes = iter(self._echoes if self.tells_echoes else ())
        echo = next(echoes, None)
        columns = zip(self._at_s, self._code, self._end, strict=True)
        for place, (at_s, code, end) in enumerate(columns):
            if place == echo:
                echo = next(echoes, None)
            elif code not in self._body:
                yield Kept(at_s, self.senders[code], bytes(self._data[start:end]))
            start = end


def may_be_diagnostic(identifier: int, extended: bool) -> bool:
    """Return whether diagnostic messages may have this identifier.

    References
    ----------
    ISO 15765-4: 7DF, 7E0–7EF, 18DBxxyy (functional), 18DAxxyy (physical). That makers place
    further modules in 700–7FF is common practice, no source.
    """
    if extended:
        return identifier >> 16 in _DIAGNOSTIC_29
    return identifier >= _FIRST_CANDIDATE


def is_legislated(sender: Sender) -> bool:
    """Return whether the standard alone says that this identifier is diagnostic.

    References
    ----------
    ISO 15765-4: 7DF, 7E0–7EF, 18DBxxF1, 18DAxxF1, 18DAF1xx; F1 is the tester.
    """
    identifier = sender.identifier
    if not sender.extended:
        return identifier == 0x7DF or 0x7E0 <= identifier <= 0x7EF
    target, source = identifier >> 8 & 0xFF, identifier & 0xFF
    return source == 0xF1 or (target == 0xF1 and identifier >> 16 == 0x18DA)


def has_transport_form(data: bytes | bytearray) -> bool:
    """Return whether `data` can be a frame of ISO 15765-2 (from the standard's frame types)."""
    if not data:
        return False
    kind, low = data[0] >> 4, data[0] & 0x0F
    if kind == 0:
        if low == 0:
            return len(data) > MAX_CLASSIC_BYTES and 0 < data[1] <= len(data) - 2
        return low < len(data)
    if kind == 1:
        return len(data) >= MAX_CLASSIC_BYTES
    return len(data) > 1 if kind == 2 else kind == 3 and low < 3 <= len(data)
