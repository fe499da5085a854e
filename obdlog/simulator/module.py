"""A module beyond the legislated ones that speaks ISO 14229-1 or ISO 14230-3.

It is asked alone; requests to all are for the legislated units.
"""

from __future__ import annotations

from collections.abc import Callable

from obdlog.simulator.answers import (
    BAD_LENGTH,
    BAD_SUBFUNCTION,
    BUSY,
    CONDITIONS,
    NEGATIVE,
    NOT_IN_SESSION,
    NOT_SUPPORTED,
    OUT_OF_RANGE,
    PENDING,
    SUBFUNCTION_NOT_IN_SESSION,
    Address,
    Answer,
    Refused,
)
from obdlog.simulator.module_spec import ModuleSpec, identification_data
from obdlog.simulator.reports import build_report
from obdlog.simulator.trouble import ModuleMemory, Trouble
from obdlog.simulator.vehicle import Vehicle

DEFAULT, EXTENDED = 0x01, 0x03
SESSION_ENDS_S = 5.0
"""A session other than the default one ends after so long a silence (ISO 14229-2, S3server)."""

_REPORTS, _IDENTIFY = 0x19, 0x22
_SUPPRESS = 0x80
_TIMES = b"\x00\x32\x01\xf4"
"""P2 of 50 ms and P2* of 5 s, in the answer to service 10."""
_ALL_CODES = b"\xff\xff\xff"

_OLDER_DEFAULT = 0x81
_OLDER_SESSIONS = frozenset({_OLDER_DEFAULT, 0x89, 0x92})
_OLDER_GROUPS = {0xFF00: "PCBU", 0x0000: "P", 0x4000: "C", 0x8000: "B", 0xC000: "U"}
_OLDER_SUPPORTED = frozenset({0x01, 0x03})
_OLDER_KINDS = frozenset({0x00, 0x02}) | _OLDER_SUPPORTED


class Module:
    """One module of the car; `on_erase` is called after an accepted erase."""

    legislated = False

    def __init__(self, spec: ModuleSpec, vehicle: Vehicle, on_erase: Callable[[], None]) -> None:
        self.spec = spec
        self.address = Address(int(spec.request, 16), int(spec.response, 16), spec.id_bits)
        self.memory = ModuleMemory(spec)
        self.session = DEFAULT
        self._vehicle, self._on_erase = vehicle, on_erase
        self._asked_s = 0.0
        self._quiet_until_s = 0.0
        self._busy = dict(spec.manners.busy)
        self._needs_extended = {bytes.fromhex(text) for text in spec.needs_extended}
        self._identification = {
            bytes.fromhex(key): identification_data(text)
            for key, text in spec.identification.items()
        }
        newer: dict[int, Callable[[bytes], list[bytes]]] = {
            0x10: self._change_session,
            0x14: self._clear,
            0x19: lambda rest: build_report(
                rest, self.memory.troubles, spec.availability, spec.reports
            ),
            0x22: self._identify,
            0x3E: self._present,
        }
        older: dict[int, Callable[[bytes], list[bytes]]] = {
            0x10: self._older_session,
            0x13: self._older_codes,
            0x14: self._older_clear,
            0x17: self._older_status,
            0x18: self._older_list,
            0x1A: self._older_identify,
            0x3E: self._older_present,
        }
        self._services = older if self.memory.older else newer

    def begin_cycle(self) -> None:
        """Note that the key came on."""
        self.session = DEFAULT
        self.memory.begin_cycle()

    def answer(self, payload: bytes, at_s: float) -> list[Answer]:
        """Return what the module answers to a request at `at_s` of its own time [s]."""
        if at_s - self._asked_s > SESSION_ENDS_S:
            self.session = DEFAULT
        service, rest = payload[0], payload[1:]
        key = f"{service:02X}"
        if at_s < self._quiet_until_s or key in self.spec.silent_to:
            return []
        self._asked_s = at_s
        delay = self.spec.latency_ms / 1000.0
        if self._busy.get(key, 0) > 0:
            self._busy[key] -= 1
            return [self._refusal(service, BUSY, delay)]
        try:
            replies = self._obey(service, rest)
        except Refused as refused:
            return [self._refusal(service, refused.code, delay)]
        answers = []
        for _ in range(self.spec.manners.pending.get(key, 0)):
            answers.append(self._refusal(service, PENDING, delay))
            delay += self.spec.manners.gap_ms / 1000.0
        return [*answers, *(Answer(self.address, reply, delay) for reply in replies)]

    def _refusal(self, service: int, code: int, delay: float) -> Answer:
        return Answer(self.address, bytes([NEGATIVE, service, code]), delay)

    def _obey(self, service: int, rest: bytes) -> list[bytes]:
        if self.spec.refuses is not None:
            raise Refused(self.spec.refuses)
        if service not in self._services:
            raise Refused(NOT_SUPPORTED)
        if self._withheld(bytes([service])):
            raise Refused(NOT_IN_SESSION)
        if service == _REPORTS and self._withheld(bytes([service, *rest[:1]])):
            raise Refused(SUBFUNCTION_NOT_IN_SESSION)
        return self._services[service](rest)

    def _withheld(self, beginning: bytes) -> bool:
        """Return whether requests that begin so need another session."""
        return self.session == DEFAULT and beginning in self._needs_extended

    def _erase(self, wanted: list[Trouble]) -> None:
        if self._vehicle.state.rpm > 0:
            raise Refused(CONDITIONS)
        self.memory.erase(wanted)
        if self.spec.silent_after_erase_s:
            self._quiet_until_s = self._asked_s + self.spec.silent_after_erase_s
        self._on_erase()

    # ISO 14229-1

    def _change_session(self, rest: bytes) -> list[bytes]:
        if len(rest) != 1:
            raise Refused(BAD_LENGTH)
        wanted = rest[0] & ~_SUPPRESS
        if wanted not in (self.spec.sessions or (DEFAULT, EXTENDED)):
            raise Refused(BAD_SUBFUNCTION)
        self.session = wanted
        return [] if rest[0] & _SUPPRESS else [bytes([0x50, wanted]) + _TIMES]

    def _present(self, rest: bytes) -> list[bytes]:
        if len(rest) != 1:
            raise Refused(BAD_LENGTH)
        if rest[0] & ~_SUPPRESS:
            raise Refused(BAD_SUBFUNCTION)
        return [] if rest[0] & _SUPPRESS else [b"\x7e\x00"]

    def _clear(self, rest: bytes) -> list[bytes]:
        if len(rest) != 3:
            raise Refused(BAD_LENGTH)
        troubles = self.memory.troubles
        wanted = troubles if rest == _ALL_CODES else [t for t in troubles if t.three == rest]
        if not wanted and rest != _ALL_CODES:
            raise Refused(OUT_OF_RANGE)
        self._erase(wanted)
        return [b"\x54"]

    def _identify(self, rest: bytes) -> list[bytes]:
        if not rest or len(rest) % 2:
            raise Refused(BAD_LENGTH)
        asked = [rest[at : at + 2] for at in range(0, len(rest), 2)]
        # An identifier that is withheld is one that the module does not have now: no other code.
        known = [
            key
            for key in asked
            if key in self._identification and not self._withheld(bytes([_IDENTIFY]) + key)
        ]
        if not known:
            raise Refused(OUT_OF_RANGE)
        return [b"\x62" + b"".join(key + self._identification[key] for key in known)]

    # ISO 14230-3

    def _older_session(self, rest: bytes) -> list[bytes]:
        wanted = rest[0] if len(rest) == 1 else 0
        if wanted not in (self.spec.sessions or _OLDER_SESSIONS):
            raise Refused(BAD_SUBFUNCTION)
        self.session = DEFAULT if wanted == _OLDER_DEFAULT else wanted
        return [bytes([0x50, wanted])]

    def _older_present(self, rest: bytes) -> list[bytes]:
        """Answer ``3E`` and ``3E 01``; ``3E 02`` asks for silence."""
        if rest not in (b"", b"\x01", b"\x02"):
            raise Refused(BAD_SUBFUNCTION)
        return [] if rest == b"\x02" else [b"\x7e"]

    def _group(self, two: bytes, among: list[Trouble]) -> list[Trouble]:
        """Return those of a group of codes, or the one code that is named."""
        if len(two) != 2:
            raise Refused(BAD_SUBFUNCTION)
        letters = _OLDER_GROUPS.get(int.from_bytes(two, "big"))
        if letters is not None:
            return [t for t in among if t.spec.code[0] in letters]
        if not any(t.three[:2] == two for t in self.memory.troubles):
            raise Refused(OUT_OF_RANGE)
        return [t for t in among if t.three[:2] == two]

    def _older_list(self, rest: bytes) -> list[bytes]:
        if len(rest) != 3 or rest[0] not in _OLDER_KINDS:
            raise Refused(BAD_SUBFUNCTION)
        all_of_them = rest[0] in _OLDER_SUPPORTED
        among = self.memory.troubles if all_of_them else self.memory.stored
        return [_counted(0x58, self._group(rest[1:], among), with_status=True)]

    def _older_status(self, rest: bytes) -> list[bytes]:
        groups = {group.to_bytes(2, "big") for group in _OLDER_GROUPS}
        among = self.memory.stored if rest in groups else self.memory.troubles
        return [_counted(0x57, self._group(rest, among), with_status=True)]

    def _older_codes(self, rest: bytes) -> list[bytes]:
        found = self._group(rest or b"\xff\x00", self.memory.stored)
        return [_counted(0x53, found, with_status=False)]

    def _older_clear(self, rest: bytes) -> list[bytes]:
        self._erase(self._group(rest, self.memory.troubles))
        return [b"\x54" + rest]

    def _older_identify(self, rest: bytes) -> list[bytes]:
        if rest not in self._identification:
            raise Refused(BAD_SUBFUNCTION if len(rest) != 1 else OUT_OF_RANGE)
        return [b"\x5a" + rest + self._identification[rest]]


def _counted(reply: int, troubles: list[Trouble], *, with_status: bool) -> bytes:
    body = b"".join(
        t.three[:2] + (bytes([t.status]) if with_status else b"") for t in troubles[:0xFF]
    )
    return bytes([reply, min(len(troubles), 0xFF)]) + body
