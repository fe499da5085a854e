"""Measures what an adapter really can do, beside what it claims.

Only harmless requests are sent. Each finding rests on an answer that was seen: a command is
known when the adapter takes it, several PIDs in a request work when the reply holds them all, a
long reply works when it arrives whole.
"""

from __future__ import annotations

import re
import statistics
from dataclasses import dataclass, field
from typing import Protocol

from obdlog import survey
from obdlog.adapter.commands import COMMANDS, Expects, request_text
from obdlog.adapter.reply import Reply
from obdlog.adapter.routes import LOSSES
from obdlog.adapter.status import Status
from obdlog.client import Client
from obdlog.model import Bus, Outcome, Request
from obdlog.poll_plan import NOT_POLLED, pids_a_request
from obdlog.services.requests import build_vehicle_info
from obdlog.transport.base import Transport

SPEED_TRIES = 12
COUNT_TRIES = 3
NOTICEABLE_S = 0.008
SLOW_S = 0.03
"""An exchange slower than this holds a waiting time that the digit would have saved."""
VOLTAGE_TOLERANCE_V = 1.0
DIGIT_EXAMPLE = request_text(bytes([0x01, 0x00]), 1)

# Commands that restart the adapter, drop its settings or need an argument are not tried.
_NOT_TRIED = frozenset({"ATZ", "ATWS", "ATD", "ATPC", "ATE1", "ATL1", "ATS1", "ATH0", "ATCAF0"})
_ARGUMENTS = {"ATST<hh>": "ATST32", "ATSH<header>": "", "ATCP<hh>": "ATCP18"}
_VERSION = re.compile(r"v(\d+)\.(\d+)", re.IGNORECASE)


class CommandTransport(Transport, Protocol):
    """A transport with an adapter behind it that takes commands."""

    reply_count: int | None

    @property
    def capabilities(self) -> dict[str, bool]:
        """What the set-up found."""
        ...

    def command(self, text: str) -> Reply:
        """Send one command to the adapter itself."""
        ...

    def measure_reach(self) -> None:
        """Find out whether modules beyond the legislated ones could be asked."""
        ...


@dataclass(slots=True)
class Measurement:
    """What was measured; texts in `unsafe` and `disagreements` are whole sentences."""

    identity: str
    claimed_version: str | None
    commands: dict[str, bool] = field(default_factory=dict)
    abilities: dict[str, bool] = field(default_factory=dict)
    pids_a_request: int = 1
    reply_count: bool | None = None
    long_reply: bool | None = None
    exchange_ms: float | None = None
    voltage_v: float | None = None
    car_voltage_v: float | None = None
    disagreements: list[str] = field(default_factory=list)
    unsafe: list[str] = field(default_factory=list)


def measure(transport: CommandTransport, client: Client) -> Measurement:
    """Return what the adapter on a connected `transport` can do.

    Raises
    ------
    LinkError
        The adapter is gone or stopped talking.
    """
    version = _VERSION.search(transport.identity)
    result = Measurement(
        identity=transport.identity,
        claimed_version=f"{version[1]}.{version[2]}" if version else None,
        abilities=transport.capabilities,
        voltage_v=transport.voltage_v(),
    )
    _try_commands(transport, result)
    transport.measure_reach()
    result.abilities = transport.capabilities
    client.ask_bitmaps(0x01)
    announced = sorted(set().union(*survey.supported(client.exchanges).values()) - NOT_POLLED)
    if len(announced) >= 2:
        result.pids_a_request = pids_a_request(client, announced)
    _try_long_reply(client, result)
    _time_exchanges(transport, client, result, announced[0] if announced else 0x00)
    _try_reply_count(transport, result)
    result.car_voltage_v = _car_voltage_v(client)
    _judge(result, client.bus)
    return result


def _try_commands(transport: CommandTransport, result: Measurement) -> None:
    for command in COMMANDS:
        text = _ARGUMENTS.get(command.text, command.text)
        if not text or "<" in text or text in _NOT_TRIED:
            continue
        reply = transport.command(text)
        refused = Status.UNKNOWN_COMMAND in reply.statuses
        answered = bool(reply.lines) or Status.OK in reply.statuses
        expected_ok = command.expects is Expects.OK
        result.commands[text] = not refused and (
            Status.OK in reply.statuses if expected_ok else answered
        )
    # The trial may have changed the timing: back to what the set-up chose.
    transport.command("ATAT1")


def _try_long_reply(client: Client, result: Measurement) -> None:
    announced = client.ask_bitmaps(0x09)
    if not any(0x02 in types for types in announced.values()):
        return
    exchange = client.ask(build_vehicle_info(0x02), purpose="capability")
    if exchange.outcome in (Outcome.REFUSED, Outcome.NO_DATA):
        return  # a car that does not give its VIN says nothing about the adapter
    vins = [len(m.payload) >= 3 + 17 for m in exchange.positive()]
    result.long_reply = bool(vins) and all(vins)


def _time_exchanges(
    transport: CommandTransport, client: Client, result: Measurement, pid: int
) -> None:
    clock = transport.clock
    took: list[float] = []
    for _ in range(SPEED_TRIES):
        started = clock.now_s()
        exchange = client.ask(bytes([0x01, pid]), purpose="capability")
        if exchange.outcome is Outcome.ANSWERED:
            took.append(clock.now_s() - started)
    result.exchange_ms = round(statistics.median(took) * 1000, 1) if took else None


def _try_reply_count(transport: CommandTransport, result: Measurement) -> None:
    """Compare answers with and without the expected-reply digit.

    It is honoured when the same answers come sooner. Where they came as fast without it,
    nothing can be told.
    """
    request = Request(b"\x01\x00", purpose="capability")
    clock = transport.clock

    def ask() -> tuple[dict[str, bytes], float]:
        started = clock.now_s()
        exchange = transport.exchange(request)
        answers = {m.source: m.payload for m in exchange.positive()}
        return answers, clock.now_s() - started

    plain = [ask() for _ in range(COUNT_TRIES)]
    expected = plain[0][0]
    if not 1 <= len(expected) <= 15:
        return
    before = transport.reply_count
    transport.reply_count = len(expected)
    try:
        counted = [ask() for _ in range(COUNT_TRIES)]
        kept = transport.reply_count is not None
    finally:
        transport.reply_count = before
    if not kept or any(answers != expected for answers, _ in counted):
        result.reply_count = False
        return
    usual_s = statistics.median(took for _, took in plain)
    sooner_s = statistics.median(took for _, took in counted)
    if usual_s - sooner_s > NOTICEABLE_S:
        result.reply_count = True
    elif usual_s > SLOW_S:
        result.reply_count = False


def _car_voltage_v(client: Client) -> float | None:
    if not any(0x42 in pids for pids in survey.supported(client.exchanges).values()):
        return None
    client.ask(b"\x01\x42", purpose="capability")
    readings = survey.latest_readings(client.exchanges[-1:], client.bus)
    values = [r["VPWR"].value for r in readings.values() if "VPWR" in r]
    numbers = [float(v) for v in values if isinstance(v, (int, float))]
    return max(numbers, default=None)


def _judge(result: Measurement, bus: Bus) -> None:
    claimed = tuple(map(int, (result.claimed_version or "0.0").split(".")))
    since = {c.text: tuple(map(int, c.since.split("."))) for c in COMMANDS}
    missing = [
        name
        for name, known in result.commands.items()
        if not known and since.get(name, (1, 0)) <= claimed
    ]
    if result.claimed_version and missing:
        result.disagreements.append(
            f"It claims version {result.claimed_version} but does not know {', '.join(missing)}, "
            "which that version has."
        )
    if result.claimed_version and result.reply_count is False and claimed >= (1, 3):
        result.disagreements.append(
            f"It claims version {result.claimed_version} but does not honour the expected-reply "
            f"digit (as in {DIGIT_EXAMPLE})."
        )
    if result.long_reply is False:
        result.unsafe.append(
            "Long replies arrive cut: VIN, calibrations and long code lists cannot be relied on."
        )
    if bus is Bus.CAN and result.pids_a_request == 1:
        result.unsafe.append("Several PIDs in one request are not answered whole; one is asked.")
    if not result.abilities.get("headers", True):
        result.unsafe.append(
            "It hides who answered: codes of several modules cannot be told apart."
        )
    result.unsafe += [
        loss for ability, loss in LOSSES.items() if not result.abilities.get(ability, True)
    ]
    if (
        result.voltage_v is not None
        and result.car_voltage_v is not None
        and abs(result.voltage_v - result.car_voltage_v) > VOLTAGE_TOLERANCE_V
    ):
        result.unsafe.append(
            f"Its voltage ({result.voltage_v:.1f} V) differs from the control module's "
            f"({result.car_voltage_v:.1f} V): do not judge the battery by it."
        )
