"""Answers requests out of a recorded session; nothing is invented."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from obdlog.adapter.protocols import PROTOCOLS, response_address
from obdlog.clock import Clock, ManualClock, SystemClock
from obdlog.errors import NoAnswerError, RefusedError
from obdlog.model import ERASED_LATER, FUNCTIONAL, Exchange, Generation, Outcome, Request
from obdlog.services.obd_on_uds import classic_request
from obdlog.services.registry import ERASE_SERVICES, changes_vehicle
from obdlog.session.reader import Session, read_session
from obdlog.transport.base import BusProtocol
from obdlog.transport.samples import Samples, build_answer, items_of, one_list

PACES = ("fast", "recorded")
NOT_RECORDED = "not in this recording"
USUAL_PROTOCOL = "6"
"""CAN with 11-bit identifiers at 500 kbit/s, what most cars since 2008 speak."""

TIMELESS = frozenset({"identify", "capability"})
"""Purposes of questions about the car itself: wherever in the recording their answer stands, it
holds for all of it, and finding it late must not skip what was logged before."""

CODES = "codes"
"""Purpose of questions about the present codes."""

_CODE_SERVICES = frozenset({0x02, 0x03, 0x07, 0x0A, 0x13, 0x17, 0x18, 0x19})
_LAMP_IDENTIFIER = b"\xf4\x01"
"""Identifier of SAE J1979-2 for what PID 01 tells, the lamp among it."""

LEAST_STEP_S = 0.01
"""Every exchange takes at least this long, so that a loop over time comes to its end."""


class PlaybackTransport:
    """Plays the car of the session at `path`.

    A request that was recorded gets its recorded answers in order, the last one again and again
    once they are used up. One that was not is answered from the same question asked of other
    addresses, or, for current data and service 02, from the same PIDs in other requests, or, for
    codes of SAE J1979-2, from the same report with other status masks.
    Anything else is no data, with a note. Where codes are asked for (purpose ``codes``), what a
    module said of them before the last erase that it accepted is not played.

    Parameters
    ----------
    pace : str
        ``fast``: simulated time that follows the recorded times. ``recorded``: real time.
    clock : Clock
        The clock to live in; by default as `pace` says.

    Raises
    ------
    SessionFileError
        The file cannot be read.
    """

    kind = "playback"

    def __init__(
        self,
        path: Path | str,
        pace: str = PACES[0],
        *,
        url: str = "",
        clock: Clock | None = None,
    ) -> None:
        if pace not in PACES:
            raise ValueError(f"pace is {' or '.join(PACES)}")
        self.session: Session = read_session(path)
        self.url = url or str(path)
        self.clock: Clock = clock or (ManualClock() if pace == "fast" else SystemClock())
        self.protocol: BusProtocol | None = None
        self.generation = generation_of(self.session.exchanges)
        self.identity = next((a.identity for a in self.session.adapter if a.identity), "")
        self._recorded: dict[tuple[bytes, str], list[Exchange]] = defaultdict(list)
        for exchange in self.session.exchanges:
            key = (exchange.request.payload, exchange.request.target)
            self._recorded[key].append(exchange)
        self._current = _since_erases(self.session.exchanges)
        self._last_s = max((e.at_s for e in self.session.exchanges), default=0.0)
        self._used: dict[tuple[bytes, str], int] = defaultdict(int)
        self._samples: dict[bool, Samples] = {}
        self._origin_s: float | None = None

    def connect(self) -> BusProtocol:
        """Return the recorded protocol; the usual one where neither header nor addresses tell.

        Raises
        ------
        NoAnswerError
            The recording holds no answer of a car.
        """
        sources = [m.source for e in self.session.exchanges for m in e.messages]
        protocol = (
            protocol_from_text(self.session.header.protocol)
            or protocol_from_sources(sources)
            or PROTOCOLS[USUAL_PROTOCOL]
        )
        if not sources:
            raise NoAnswerError(
                f"{self.session.path} holds no answers of a car to play back",
                hint="Readings without raw bytes can be checked and plotted, not asked.",
            )
        self.protocol = protocol
        self._origin_s = self.clock.now_s()
        return protocol

    @property
    def asked(self) -> tuple[bytes, ...]:
        """What was asked in the recording, each request once, in recorded order.

        Requests of a car after SAE J1979-2 are given in the words of SAE J1979 where it has any.
        """
        return tuple(
            dict.fromkeys(classic_request(payload) or payload for payload, _ in self._recorded)
        )

    @property
    def at_end(self) -> bool:
        """Whether the time of the last recorded exchange has passed."""
        return self._now_s() >= self._last_s

    def exchange(self, request: Request) -> Exchange:
        """Return what the recording has in answer to `request`.

        Raises
        ------
        RefusedError
            The request would change the vehicle.
        """
        if changes_vehicle(request.payload):
            raise RefusedError(
                "a recording cannot be changed or erased",
                hint="Use --link with an adapter that is plugged into the car.",
            )
        found = (
            self._exact(request)
            or self._by_address(request)
            or self._by_pid(request)
            or self._by_mask(request)
        )
        if found is None:
            at_s = self.clock.now_s()
            # Thousands of addresses may be searched; no loop over time asks one module alone.
            self.clock.sleep_s(LEAST_STEP_S if request.target == FUNCTIONAL else 0.0)
            erased = request.purpose == CODES and not self._current.get(_key(request), (None,))
            note = ERASED_LATER if erased else NOT_RECORDED
            return Exchange(at_s, request, (), Outcome.NO_DATA, note=note)
        if request.purpose not in TIMELESS:
            self.clock.sleep_s(found.at_s - self._now_s())
        at_s = self.clock.now_s()
        took_s = max((m.after_s for m in found.messages), default=0.0)
        self.clock.sleep_s(max(LEAST_STEP_S, took_s))
        return Exchange(at_s, request, found.messages, found.outcome, note=found.note)

    def voltage_v(self) -> float | None:
        """Return the supply voltage that was recorded last before now [V]."""
        known = [(a.at, a.voltage) for a in self.session.adapter if a.voltage is not None]
        now_s = self._now_s()
        past = [voltage for at_s, voltage in known if at_s <= now_s]
        return past[-1] if past else known[0][1] if known else None

    def close(self) -> None:
        """Do nothing: the file was closed when it had been read."""

    def _now_s(self) -> float:
        """Return the time since `connect`, which is the recording's time [s]."""
        if self._origin_s is None:
            self._origin_s = self.clock.now_s()
        return self.clock.now_s() - self._origin_s

    def _exact(self, request: Request) -> Exchange | None:
        key = _key(request)
        if key not in self._recorded:
            return None
        exchanges = self._recorded[key]
        if request.purpose == CODES:
            exchanges = self._current.get(key, exchanges)
        if not exchanges:
            return None
        used = self._used[key]
        self._used[key] = used + 1
        return exchanges[min(used, len(exchanges) - 1)]

    def _by_address(self, request: Request) -> Exchange | None:
        """Return the answer to the same question, asked of another address.

        The answers to a question asked of all hold those of one; those of each one, together,
        are the answers of all.
        """
        if request.target != FUNCTIONAL:
            source = request.reply_from or self._source_of(request.target)
            asked_of_all = self._exact(replace(request, target=FUNCTIONAL))
            if asked_of_all is None or source is None:
                return None
            messages = tuple(m for m in asked_of_all.messages if m.source == source)
            return build_answer(asked_of_all.at_s, request, messages)
        targets = [to for payload, to in self._recorded if payload == request.payload]
        found = [self._exact(replace(request, target=to)) for to in targets]
        exchanges = [exchange for exchange in found if exchange is not None]
        if not exchanges:
            return None
        messages = tuple(m for e in exchanges for m in e.messages)
        return build_answer(exchanges[0].at_s, request, messages)

    def _by_pid(self, request: Request) -> Exchange | None:
        if not items_of(request.payload):
            return None
        present = request.purpose == CODES and _tells_codes(request.payload)
        if present not in self._samples:
            exchanges: Iterable[Exchange] = self.session.exchanges
            if present:
                other = (e for e in exchanges if not _tells_codes(e.request.payload))
                exchanges = (*other, *(e for held in self._current.values() for e in held))
            self._samples[present] = Samples(exchanges)
        source = request.reply_from
        if source is None and request.target != FUNCTIONAL:
            source = self._source_of(request.target)
        if request.target != FUNCTIONAL and source is None:
            return None
        return self._samples[present].answer(request, source)

    def _by_mask(self, request: Request) -> Exchange | None:
        """Return what was listed for other status masks that together hold the one asked for."""
        asked = request.payload
        if request.target != FUNCTIONAL or asked[:2] != _GROUP_REPORT or len(asked) != 5:
            return None
        alike = [
            payload
            for payload, _ in self._recorded
            if len(payload) == 5 and payload[:3] == asked[:3] and not asked[4] & ~payload[4]
        ]
        held = 0
        for payload in alike:
            held |= payload[3]
        if asked[3] & ~held:
            return None
        parts = [
            replace(request, payload=payload)
            for payload in dict.fromkeys(alike)
            if payload[3] & asked[3]
        ]
        found = [e for part in parts if (e := self._exact(part) or self._by_address(part))]
        if not found:
            return None
        return build_answer(found[-1].at_s, request, one_list(m for e in found for m in e.messages))

    def _source_of(self, target: str) -> str | None:
        try:
            return response_address(self.protocol, target) if self.protocol else None
        except ValueError:
            return None


def _key(request: Request) -> tuple[bytes, str]:
    return request.payload, request.target


def _tells_codes(payload: bytes) -> bool:
    """Return whether the answer to a request tells codes, lamp or what is stored with a code."""
    if payload[0] == 0x22:
        return any(payload[n : n + 2] == _LAMP_IDENTIFIER for n in range(1, len(payload), 2))
    return payload[0] in _CODE_SERVICES or (payload[0] == 0x01 and 0x01 in payload[1:])


def _since_erases(exchanges: Sequence[Exchange]) -> dict[tuple[bytes, str], list[Exchange]]:
    """Return per request for codes what holds after the last erase of each module that answers.

    Where no exchange holds as a whole, the answers of modules that did not erase are left.
    """
    erased = {
        m.source: place
        for place, e in enumerate(exchanges)
        if e.request.service in ERASE_SERVICES
        for m in e.positive()
    }
    whole: dict[tuple[bytes, str], list[Exchange]] = {}
    parts: dict[tuple[bytes, str], list[Exchange]] = {}
    for place, exchange in enumerate(exchanges):
        if not _tells_codes(exchange.request.payload):
            continue
        key = _key(exchange.request)
        left = tuple(m for m in exchange.messages if erased.get(m.source, -1) < place)
        if left == exchange.messages:
            whole.setdefault(key, []).append(exchange)
        elif left:
            part = build_answer(exchange.at_s, exchange.request, left)
            parts.setdefault(key, []).append(replace(part, note=exchange.note))
        else:
            parts.setdefault(key, [])
    return parts | whole


_GROUP_REPORT = b"\x19\x42"
"""Codes of a functional group: then the group, a status mask and a severity mask."""

_ON_UDS_REPLIES = frozenset(
    {b"\x62\xf4", b"\x62\xf6", b"\x62\xf8", b"\x59\x42", b"\x59\x55", b"\x59\x56"}
)
"""How data, test results, vehicle information and codes begin that only SAE J1979-2 asks so."""


def generation_of(exchanges: Iterable[Exchange]) -> Generation:
    """Return which generation the recorded car spoke, told from how it answered.

    A car that gave current data in the older words is a classic one, whatever else it answered.
    """
    replies = {m.payload[:2] for e in exchanges for m in e.messages}
    classic = any(reply[:1] == b"\x41" for reply in replies)
    newer = any(reply in _ON_UDS_REPLIES for reply in replies)
    return Generation.ON_UDS if newer and not classic else Generation.CLASSIC


LONGEST_PROTOCOL_TEXT = 200

# Number of the protocol, words that must all be there, and words of which one must be.
_WORDS: tuple[tuple[str, frozenset[str], frozenset[str]], ...] = (
    ("1", frozenset({"PWM"}), frozenset()),
    ("2", frozenset({"VPW"}), frozenset()),
    ("3", frozenset({"9141"}), frozenset()),
    ("4", frozenset({"14230"}), frozenset({"SLOW", "BAUD", "5BAUD"})),
    ("5", frozenset({"14230"}), frozenset()),
    ("7", frozenset({"29", "500"}), frozenset({"CAN", "15765"})),
    ("9", frozenset({"29", "250"}), frozenset({"CAN", "15765"})),
    ("6", frozenset({"11", "500"}), frozenset({"CAN", "15765"})),
    ("8", frozenset({"11", "250"}), frozenset({"CAN", "15765"})),
)


def protocol_from_text(text: str) -> BusProtocol | None:
    """Return the legislated protocol that `text` names, None where it names none."""
    for protocol in PROTOCOLS.values():
        if text.startswith(protocol.name):
            return protocol
    words = set(re.split(r"[^A-Z0-9]+", text[:LONGEST_PROTOCOL_TEXT].upper()))
    for number, every, some in _WORDS:
        if every <= words and (not some or some & words):
            return PROTOCOLS[number]
    return None


def protocol_from_sources(sources: Sequence[str]) -> BusProtocol | None:
    """Return a protocol of the family that the source addresses belong to.

    Three digits are an 11-bit CAN identifier, eight a 29-bit one, two an address on the older
    buses; the bit rate cannot be told and is taken as the usual one.
    """
    by_length = {3: "6", 8: "7", 2: "3"}
    numbers = [by_length[len(s)] for s in sources if len(s) in by_length]
    return PROTOCOLS[max(sorted(set(numbers)), key=numbers.count)] if numbers else None
