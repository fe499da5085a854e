"""``obdlog demo``."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from obdlog import documents
from obdlog.case import CaseFacts, next_session_path
from obdlog.case_history import read_case_record
from obdlog.cli import screen
from obdlog.cli.commands import check as check_command
from obdlog.cli.commands import clear as clear_command
from obdlog.cli.commands import codes as codes_command
from obdlog.cli.commands import compare as compare_command
from obdlog.cli.commands import readiness as readiness_command
from obdlog.cli.commands.plot import draw
from obdlog.cli.commands.report import write_report
from obdlog.cli.erasing import clear
from obdlog.cli.road import note_adapter, session_header, utc_now
from obdlog.client import Client
from obdlog.model import Work
from obdlog.poll_plan import build_plan
from obdlog.recorder import Recorder
from obdlog.session.writer import SessionWriter

if TYPE_CHECKING:
    from obdlog.simulator.car import SimulatedCar
    from obdlog.transport.base import Transport

SCENARIO = "airbox-repair"
NOT_REPAIRED = "airbox-not-repaired"
WORK = Work(
    unplugged=("mass air flow sensor", "brake control module"), replaced=("air filter box",)
)
FACTS = CaseFacts(
    vehicle={"displacement_l": 1.8, "fuel": "petrol"},
    work=WORK,
    notes=(
        "Invented demonstration: a simulated car, no real vehicle.",
        "After the air filter box was replaced the engine lamp and the brake lamp stayed on.",
    ),
)
DRIVE = "road-test"


def run(
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="A new folder; by default obdlog-demo here."),
    ] = None,
    not_repaired: Annotated[
        bool, typer.Option("--not-repaired", help="The same story with the fault still there.")
    ] = False,
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", help="Chance in the simulated car.")
    ] = 1,
) -> None:
    """Do the whole job against an invented, simulated car: from lit lamps to the report.

    Needs no hardware. The road test runs in simulated time.
    """
    from obdlog.simulator.car import SimulatedCar
    from obdlog.simulator.drives import load_drive

    folder = _unused(out) if out else _new_folder()
    car = SimulatedCar(NOT_REPAIRED if not_repaired else SCENARIO, seed)
    screen.say("An invented car comes back from repair with its lamps lit. Nothing here is real.")
    screen.say(f"Unplugged: {', '.join(WORK.unplugged)}. Replaced: {', '.join(WORK.replaced)}.")

    _step(1, "Read everything before touching anything (obdlog codes)")
    with _session(car, folder, "codes") as client:
        client.read_codes()
        codes_command.show(_codes(client, folder))

    _step(2, "Save the evidence, erase, read back (obdlog clear)")
    transport = _plug_in(car)
    try:
        cleared = clear(
            transport, folder, work=WORK, facts=FACTS, stated_off=False, confirm=lambda _: True
        )
    finally:
        transport.close()
    clear_command.show(cleared.document())

    _step(3, "Key cycle, then the road test with a passenger at the laptop (obdlog record)")
    car.after_key_cycle()
    seconds = load_drive(DRIVE).duration_s
    with _session(car, folder, "road-test") as client:
        plan = build_plan(client)
        # Ten seconds with the engine off give the checks their resting values.
        Recorder(client, plan).run(for_s=12.0)
        car.drive(DRIVE)
        recording = Recorder(client, plan).run(for_s=seconds)
    screen.say(
        f"{recording.seconds / 60:.0f} min of simulated driving, {recording.readings} readings, "
        f"{recording.readings_per_second:.0f} a second, {recording.lost_exchanges} lost."
    )

    _step(4, "Key cycle, read again: what came back, what is complete (codes, readiness)")
    car.after_key_cycle()
    with _session(car, folder, "codes-after-drive") as client:
        client.read_codes()
        client.read_readiness()
        client.read_onboard_tests()
        codes_command.show(_codes(client, folder))
        readiness_command.show(documents.readiness_document(client.exchanges, client.bus))

    _step(5, "Check the log against expected ranges (obdlog check)")
    check_command.show(check_command.findings_of(folder))

    _step(6, "Before and after: is the repair proven? (obdlog compare)")
    compare_command.show(compare_command.comparison_of_case(folder))

    _step(7, "Hand over (obdlog plot, obdlog report)")
    screen.say(f"Figure: {draw(folder)}")
    screen.say(f"Report: {write_report(folder)}")
    screen.say("\nOpen the report in a browser. With a car: obdlog --help")


def _step(number: int, text: str) -> None:
    screen.heading(f"── Step {number}: {text}")


def _unused(folder: Path) -> Path:
    """Return `folder`, which must not hold anything: invented sessions have no place in a job.

    Raises
    ------
    typer.BadParameter
        It is a file, or a folder that is not empty.
    """
    try:
        taken = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
    except OSError as error:
        raise typer.BadParameter(f"{screen.plain(folder)}: {error.strerror}") from None
    if taken:
        raise typer.BadParameter(
            f"{screen.plain(folder)} exists and is not empty; the demo writes invented sessions, "
            "so name a new folder"
        )
    return folder


def _new_folder() -> Path:
    folder = Path("obdlog-demo")
    number = 2
    while folder.exists():
        folder = Path(f"obdlog-demo-{number}")
        number += 1
    return folder


def _plug_in(car: SimulatedCar) -> Transport:
    """Return a connected transport to the simulated car."""
    from obdlog.simulator.link import SimLink
    from obdlog.transport.adapter_link import AdapterTransport

    transport = AdapterTransport(SimLink(car=car))
    transport.connect()
    return transport


@contextmanager
def _session(car: SimulatedCar, folder: Path, step: str) -> Iterator[Client]:
    """Yield a client whose exchanges go to the next session file of `folder`."""
    from obdlog.transport.recording import RecordingTransport

    path = next_session_path(folder, step)
    transport = _plug_in(car)
    try:
        header = session_header(transport, FACTS, WORK)
        with SessionWriter(path, header, transport.clock) as writer:
            note_adapter(transport, writer)
            yield Client(RecordingTransport(transport, writer), screen.progress)
    finally:
        transport.close()


def _codes(client: Client, folder: Path) -> dict[str, object]:
    transport = client.transport
    return documents.codes_document(
        client.exchanges,
        client.bus,
        work=WORK,
        voltage_v=transport.voltage_v(),
        protocol=transport.protocol.name if transport.protocol else "",
        read_at=utc_now(),
        history=read_case_record(folder, screen.tell).history,
    )
