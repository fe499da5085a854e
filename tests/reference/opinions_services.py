"""Readings of services 03, 06, 07, 09, 0A and 19 by Scapy and udsoncan against ours."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from typing import Any

from scapy.contrib.automotive.obd.mid import mids
from scapy.contrib.automotive.obd.obd import OBD
from udsoncan import Dtc, Response
from udsoncan.exceptions import InvalidResponseException
from udsoncan.services import ReadDTCInformation

from obdlog.services.codes import parse_codes
from obdlog.services.decode import decode_payload
from obdlog.services.onboard_tests import name_of_monitor, name_of_test, parse_tests
from obdlog.tables.uasid import all_scalings
from tests.reference.opinions import Difference, code_text, is_near, same_unit, same_words


def dissected(reply: bytes) -> Any:
    """Return what Scapy makes of a whole reply, below the service byte."""
    return OBD(reply).payload


RAW = ("0000FFFF8000", "7FFF00011234", "FFFF7FFF0001", "80008000FFFF", "00FF0100FF00")
"""Value, lowest, highest of a test, two bytes each."""


def result_differences() -> Iterator[Difference]:
    """Yield differences in the results of service 06, for every scaling that Scapy knows."""
    assigned = set(mids.OBD_MIDXX.unit_and_scaling_ids)
    for number in sorted(all_scalings().keys() | assigned):
        if (number in assigned) is not (number in all_scalings()):
            said = ("assigned", "not assigned")[:: 1 if number in assigned else -1]
            yield Difference("06", f"{number:02X}", "scaling", "", *said)
            continue
        source = random.Random(number)
        for raw in (*RAW, *(source.randbytes(6).hex().upper() for _ in range(8))):
            data = f"460180{number:02X}{raw}"
            (ours,) = parse_tests(bytes.fromhex(data))
            record = dissected(bytes.fromhex(data)).data_records[0].payload
            figures = {"test_value": ours.value, "min_limit": ours.low, "max_limit": ours.high}
            for name, own in figures.items():
                field = record.get_field(name)._find_fld_pkt(record)
                theirs = record.getfieldval(name)
                plain = not hasattr(field, "scaling")
                assert own is not None
                if theirs != own if plain else not is_near(theirs, own, field):
                    yield Difference("06", f"{number:02X}", name, data, f"{theirs:g}", f"{own:g}")
                if not same_unit(getattr(field, "unit", ""), ours.unit):
                    yield Difference("06", f"{number:02X}", "unit", "", field.unit, ours.unit)


def monitor_name_differences() -> Iterator[Difference]:
    """Yield differences in the names of monitors and of the tests of oxygen sensors."""
    theirs = mids.OBD_S06_PR_Record.on_board_monitoring_ids
    for number in range(0x01, 0xE0):
        said, own = theirs.get(number, "reserved"), name_of_monitor(number) or "reserved"
        if number % 0x20 and not same_words(said.replace('"', " in"), own):
            yield Difference("06", f"{number:02X}", "monitor", "", said, own)
    tests = mids.OBD_MIDXX.standardized_test_ids
    for number in range(0x01, 0x80):
        said, own = tests.get(number, "reserved"), name_of_test(0x01, number) or "reserved"
        if not same_words(re.sub(r"TID_.._", "", said), own):
            yield Difference("06", f"{number:02X}", "test", "", said, own)


def code_differences() -> Iterator[Difference]:
    """Yield differences in the codes of services 03, 07 and 0A."""
    for service in (0x43, 0x47, 0x4A):
        for seed in range(20):
            source = random.Random(f"{service}/{seed}")
            count = source.randrange(8)
            reply = bytes([service, count]) + source.randbytes(2 * count).replace(b"\x00", b"\x01")
            theirs = [code_text(code) for code in dissected(reply).dtcs]
            ours = [code.text for code in parse_codes(reply)]
            if theirs != ours:
                data = reply.hex().upper()
                yield Difference(f"{service - 0x40:02X}", "", "codes", data, str(theirs), str(ours))


INFO = [  # info type, one item as Scapy writes it, our key
    (0x02, b"11111111111111111", "vin"),
    (0x04, b"CAL-0001\0\0\0\0\0\0\0\0", "calibrations"),
    (0x06, b"\x00\xa1\xb2\xc3", "cvns"),
    (0x0A, b"ECM\0-EngineControl\0\0", "ecu_name"),
]


def info_differences() -> Iterator[Difference]:
    """Yield differences in the items and counters of service 09."""
    for number, item, key in INFO:
        for count in (1,) if key in ("vin", "ecu_name") else (1, 2, 5):
            reply = bytes([0x49, number, count]) + item * count
            record = dissected(reply).data_records[0].payload
            found = next(v for k, v in record.fields.items() if isinstance(v, list))
            theirs = [v.hex().upper() if key == "cvns" else v for v in found]
            own = decode_payload(reply)["info"][key]
            own = [own] if isinstance(own, str) else own
            said = [v if isinstance(v, str) else v.replace(b"\0", b"").decode() for v in theirs]
            if said != own:
                data = reply.hex().upper()
                yield Difference("09", f"{number:02X}", key, data, str(said), str(own))
    for number, count in ((0x08, 16), (0x08, 20), (0x08, 28), (0x0B, 16), (0x0B, 18)):
        values = random.Random(count).randbytes(2 * count)
        reply = bytes([0x49, number, count]) + values
        theirs = list(dissected(reply).data_records[0].payload.data)
        own = list(decode_payload(reply)["info"]["counters"].values())
        if theirs != own:
            data = reply.hex().upper()
            yield Difference("09", f"{number:02X}", "counters", data, str(theirs), str(own))


def bitmap_differences() -> Iterator[Difference]:
    """Yield differences in what services 06 and 09 say that they support."""
    for seed in range(8):
        bits = random.Random(seed).randbytes(4)
        for service, number in [(0x49, 0x00), *((0x46, n) for n in range(0x00, 0xC0, 0x20))]:
            reply = bytes([service, number]) + bits
            flags = next(iter(dissected(reply).data_records[0].payload.fields.values()))
            theirs = sorted(name[3:] for name in str(flags).split("+") if name)
            info = decode_payload(reply)["info"]
            own = next(v for v in info.values() if isinstance(v, list))
            if theirs != own:
                data, item = reply.hex().upper(), f"bitmap {number:02X}"
                yield Difference(f"{service - 0x40:02X}", "", item, data, str(theirs), str(own))


STATUS = {  # the names of ISO 14229-1 as udsoncan has them, and ours
    "test_failed": "failing-now",
    "test_failed_this_operation_cycle": "failed-this-cycle",
    "pending": "pending",
    "confirmed": "confirmed",
    "test_not_completed_since_last_clear": "not-tested",
    "test_failed_since_last_clear": "failed-since-clear",
    "test_not_completed_this_operation_cycle": "not-tested-this-cycle",
    "warning_indicator_requested": "lamp-requested",
}
REPORTS = {0x02: ("59022F", ""), 0x42: ("594233FFFF04", "20"), 0x55: ("595533FF04", "")}
"""What stands before the first record of a report, and before each code (a severity)."""


def uds_differences() -> Iterator[Difference]:
    """Yield differences in the codes and status of reports 02, 42 and 55 of service 19."""
    for report, (head, severity) in REPORTS.items():
        for count in (1, 2, 5):
            source = random.Random(f"{report}/{count}")
            records = [bytes.fromhex(severity) + source.randbytes(4) for _ in range(count)]
            reply = bytes.fromhex(head) + b"".join(records)
            codes = [
                (c.text, c.failure_type, sorted({*c.status} - {"permanent"}))
                for c in parse_codes(reply)
            ]
            try:
                said = ReadDTCInformation.interpret_response(Response.from_payload(reply), report)
                theirs = str([uds_code(code) for code in said.service_data.dtcs])
            except InvalidResponseException as error:
                theirs = type(error).__name__
            if theirs != str(codes):
                yield Difference(
                    "19", f"{report:02X}", "codes", reply.hex().upper(), theirs, str(codes)
                )


def uds_code(code: Dtc) -> tuple[str, str, list[str]]:
    """Return text, failure type and status of a code as udsoncan has it."""
    (found,) = parse_codes(b"\x43\x01" + (code.id >> 8).to_bytes(2, "big"))
    status = sorted(own for name, own in STATUS.items() if getattr(code.status, name))
    return found.text, f"{code.id & 0xFF:02X}", status
