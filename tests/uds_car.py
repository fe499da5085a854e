"""A car after SAE J1979-2 as a table of answers, for tests above the transport.

Layouts: SAE J1979-2 as public descriptions have it (see ``docs/obd-on-uds.md``); the figures and
the VIN are invented. Two modules: the engine answers from 7E8, the transmission from 7E9.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from pathlib import Path

from obdlog.client import Client
from obdlog.model import Generation
from obdlog.poll_plan import build_plan
from obdlog.recorder import Recorder
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.transport.recording import RecordingTransport
from tests.fakes import CAN, TableTransport

ENGINE, GEARBOX = "7E8", "7E9"
VIN = "1TEST0D070T000016"

DATA = {
    0x01: "81076500", 0x04: "40", 0x05: "5A", 0x0B: "20", 0x0C: "0C80", 0x0D: "00", 0x0F: "41",
    0x11: "20", 0x21: "0010", 0x30: "05", 0x31: "0064", 0x41: "00070000",
}  # fmt: skip
"""Current data of the engine by PID."""

OTHERS = {0x01: "00040000", 0x0D: "00"}
"""Those of the transmission."""

CODE, OTHER_CODE = "056216", "030200"
CODES_REPORT, PERMANENT_REPORT = "1942330C1E", "195533"


def bitmap(base: int, numbers: Iterable[int], *, more: bool = False) -> str:
    """Return a support bitmap of SAE J1979: the most significant bit is base + 1."""
    bits = sum(1 << (32 - (n - base)) for n in numbers if base < n <= base + 32)
    return f"{bits | more:08X}"


def answers(most: int = 3, *, refusal: str = "13") -> dict:
    """Return the car's answers; a request with more than `most` identifiers is refused."""
    table = {
        "22F400": [
            (ENGINE, "62F400" + bitmap(0x00, DATA, more=True)),
            (GEARBOX, "62F400" + bitmap(0x00, OTHERS)),
        ],
        "22F420": [(ENGINE, "62F420" + bitmap(0x20, DATA, more=True))],
        "22F440": [(ENGINE, "62F440" + bitmap(0x40, DATA))],
        "22F600": [(ENGINE, "62F600" + bitmap(0x00, [0x01]))],
        "22F601": [(ENGINE, "62F601" + "0B24000100000005" + "0C2400060000FFFF")],
        "22F800": [(ENGINE, "62F800" + bitmap(0x00, [0x02, 0x04, 0x06, 0x0A]))],
        "22F802": [(ENGINE, "62F802" + VIN.encode().hex())],
        "22F804": [(ENGINE, "62F80401" + b"INVENTED-CAL-001".hex())],
        "22F806": [(ENGINE, "62F80600A1B2C3")],
        "22F80A": [(ENGINE, "62F80A01" + b"ECM-EngineControl".ljust(20, b"\0").hex())],
        "22F500": [(ENGINE, "62F500" + bitmap(0x00, [0x02]))],
        "22F502": [(ENGINE, "62F502BEEF")],
        CODES_REPORT: [
            (ENGINE, f"594233FF1E0402{CODE}AF04{OTHER_CODE}04"),
            (GEARBOX, "594233FF1E04"),
        ],
        PERMANENT_REPORT: [(ENGINE, f"595533FF04{CODE}AF")],
        f"1904{CODE}FF": [(ENGINE, f"5904{CODE}AF0102F40C0C80F40D00")],
        f"1904{OTHER_CODE}FF": [(ENGINE, "7F1931")],
        f"1906{CODE}FF": [(ENGINE, f"5906{CODE}AF9005")],
        f"1906{OTHER_CODE}FF": [(ENGINE, f"5906{OTHER_CODE}049001")],
        "195633FF": [(ENGINE, "7F1931")],
        "19563301": [(ENGINE, f"595633FF0401{CODE}AF")],
        "19563302": [(ENGINE, f"595633FF0402{OTHER_CODE}50")],
    }
    for size in range(1, 4):
        for pids in itertools.permutations(DATA, size):
            ask = "22" + "".join(f"F4{pid:02X}" for pid in pids)
            reply = "62" + "".join(f"F4{pid:02X}{DATA[pid]}" for pid in pids)
            other = "".join(f"F4{pid:02X}{OTHERS[pid]}" for pid in pids if pid in OTHERS)
            said = {ENGINE: reply, **({GEARBOX: "62" + other} if other else {})}
            table[ask] = [
                (source, text if size <= most else f"7F22{refusal}")
                for source, text in said.items()
            ]
    return table


def transport(most: int = 3, *, refusal: str = "13") -> TableTransport:
    """Return a road to the car."""
    return TableTransport(answers(most, refusal=refusal), CAN, generation=Generation.ON_UDS)


def keep(path: Path, *questions: str, drive_s: float = 0.0) -> Client:
    """Record what a client asks of the car, then a drive; return the client."""
    road = transport()
    with SessionWriter(path, SessionHeader(version=1, protocol=CAN.name), road.clock) as writer:
        client = Client(RecordingTransport(road, writer))
        for question in questions:
            getattr(client, question)()
        if drive_s:
            Recorder(client, build_plan(client)).run(for_s=drive_s)
    return client
