"""A legislated control unit of a car after SAE J1979-2: its services are those of ISO 14229-1.

Data stand under identifiers F4xx, F6xx and F8xx of service 22, codes in reports of service 19.
What readiness groups and regulated records mean is not public; theirs are invented.

References
----------
SAE J1979-2 by public descriptions (layouts of service 19; identifiers), else from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from obdlog.simulator.answers import BAD_LENGTH, CONDITIONS, OUT_OF_RANGE, Refused
from obdlog.simulator.codes import code_bytes
from obdlog.simulator.ecu import Ecu, build_bitmap
from obdlog.simulator.memory import StoredCode
from obdlog.simulator.profile import EcuSpec, Profile
from obdlog.simulator.reports import build_report
from obdlog.simulator.vehicle import Vehicle

_EMISSIONS = 0x33
_FORMAT = 0x04
_AVAILABLE, _SEVERITIES = 0xFF, 0x1E
_CODES, _PERMANENT, _READINESS, _RECORD_LIST = 0x42, 0x55, 0x56, 0x1A
_LENGTHS = {_CODES: 4, _PERMANENT: 2, _READINESS: 3, _RECORD_LIST: 2}
_REPORTS = (0x01, 0x02, 0x04, 0x06, 0x0A)
_GROUPS = (b"\xff\xff\x33", b"\xff\xff\xff")
_SUPPRESS = 0x80
_DATA, _TESTS, _INFORMATION = 0xF4, 0xF6, 0xF8
_PROTOCOL = 0x10
_FRAME_RECORD = "01"


@dataclass(frozen=True, slots=True)
class EmissionCode:
    """A code as the reports of this car show it."""

    stored: StoredCode
    snapshot: Mapping[str, str]
    records: Mapping[str, str]

    @property
    def three(self) -> bytes:
        """The code and its failure type."""
        spec = self.stored.spec
        return code_bytes(spec.code) + bytes([spec.failure_type])

    @property
    def status(self) -> int:
        """The status byte."""
        return self.stored.status

    @property
    def record(self) -> bytes:
        """Code and status."""
        return self.three + bytes([self.status])


class UdsEcu(Ecu):
    """One ECU that knows nothing of services 01 to 0A."""

    def __init__(
        self, profile: Profile, spec: EcuSpec, vehicle: Vehicle, on_erase: Callable[[], None]
    ) -> None:
        super().__init__(profile, spec, vehicle, on_erase)
        self._services = {
            0x10: self._session,
            0x14: self._clear_group,
            0x19: self._any_report,
            0x22: self._by_identifier,
            0x3E: self._present,
        }

    def emission_codes(self) -> list[EmissionCode]:
        """Return every code that the unit can set, with what is stored for it."""
        memory = self.memory
        found = []
        for code in memory.codes:
            snapshot = {}
            if memory.frame_code == code.spec.code and memory.frame:
                items = b"".join(
                    bytes([_DATA, pid]) + data for pid, data in sorted(memory.frame.items())
                )
                snapshot[_FRAME_RECORD] = (bytes([len(memory.frame)]) + items).hex()
            held = code.confirmed or code.pending
            found.append(EmissionCode(code, snapshot, code.spec.records if held else {}))
        return found

    # Service 22

    def _by_identifier(self, rest: bytes) -> list[bytes]:
        if not rest or len(rest) % 2:
            raise Refused(BAD_LENGTH)
        if len(rest) > 2 * self.spec.most_identifiers:
            raise Refused(BAD_LENGTH)
        body = b""
        for at in range(0, len(rest), 2):
            data = self._data_of(rest[at], rest[at + 1])
            body += rest[at : at + 2] + data if data else b""
        if not body:
            raise Refused(OUT_OF_RANGE)
        return [b"\x62" + body]

    def _data_of(self, family: int, low: int) -> bytes:
        """Return the data of one identifier; empty when this unit does not have it."""
        if family == _DATA:
            return self._pid(low)
        if family == _TESTS:
            return self._results(low)
        return self._item(low) if family == _INFORMATION else b""

    def _results(self, monitor: int) -> bytes:
        found = self._monitor_tests(monitor)
        if not found:
            return b""
        data = found[0][2:]
        if monitor % 0x20 == 0:
            return data
        # The classic answer repeats the monitor before each further record of eight bytes.
        return b"".join(data[at : at + 8] for at in range(0, len(data), 9))

    def _item(self, kind: int) -> bytes:
        items = self._items()
        if kind == 0:
            return build_bitmap(0, {*items, _PROTOCOL})
        if kind == _PROTOCOL:
            return b"\x01"
        if kind not in items:
            return b""
        count, data = items[kind]
        return (bytes([count]) if self.spec.counts_items else b"") + data

    # Services 14 and 19

    def _clear_group(self, rest: bytes) -> list[bytes]:
        if len(rest) != 3:
            raise Refused(BAD_LENGTH)
        if rest not in _GROUPS:
            raise Refused(OUT_OF_RANGE)
        if self.state.rpm > 0:
            raise Refused(CONDITIONS)
        self._forget()
        return [b"\x54"]

    def _any_report(self, rest: bytes) -> list[bytes]:
        kind = rest[0] & ~_SUPPRESS if rest else 0
        listed = self.emission_codes()
        if kind not in _LENGTHS:
            return build_report(rest, listed, _AVAILABLE, _REPORTS)
        if len(rest) != _LENGTHS[kind]:
            raise Refused(BAD_LENGTH)
        reply = b"\x59" + bytes([kind]) + self._functional(kind, rest[1:], listed)
        return [] if rest[0] & _SUPPRESS else [reply]

    def _functional(self, kind: int, asked: bytes, listed: list[EmissionCode]) -> bytes:
        if kind == _RECORD_LIST:
            held = [c for c in listed if f"{asked[0]:02X}" in c.records]
            if not any(f"{asked[0]:02X}" in c.stored.spec.records for c in listed):
                raise Refused(OUT_OF_RANGE)
            return bytes([_AVAILABLE, asked[0]]) + b"".join(c.record for c in held)
        if asked[0] != _EMISSIONS:
            raise Refused(OUT_OF_RANGE)
        head = bytes([_EMISSIONS, _AVAILABLE])
        if kind == _CODES:
            found = [c for c in listed if c.status & asked[1] and c.stored.spec.severity & asked[2]]
            body = b"".join(bytes([c.stored.spec.severity]) + c.record for c in found)
            return head + bytes([_SEVERITIES, _FORMAT]) + body
        if kind == _PERMANENT:
            lasting = [c.record for c in listed if c.stored.permanent]
            return head + bytes([_FORMAT]) + b"".join(lasting)
        members = [c.record for c in listed if c.stored.spec.readiness_group == asked[1]]
        if not members or not asked[1]:
            raise Refused(OUT_OF_RANGE)
        return head + bytes([_FORMAT, asked[1]]) + b"".join(members)
