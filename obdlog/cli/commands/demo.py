"""``obdlog demo``."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from obdlog import documents, module_reading, survey
from obdlog.case import CaseFacts, next_session_path
from obdlog.case_history import read_case_record
from obdlog.cli import after_key_cycle, every_module, screen
from obdlog.cli.commands import check as check_command
from obdlog.cli.commands import clear as clear_command
from obdlog.cli.commands import codes as codes_command
from obdlog.cli.commands import compare as compare_command
from obdlog.cli.commands import readiness as readiness_command
from obdlog.cli.commands.plot import draw
from obdlog.cli.commands.report import write_report
from obdlog.cli.erasing import Before, clear
from obdlog.cli.every_module import Wanted
from obdlog.cli.road import Road, note_adapter, session_header, utc_now
from obdlog.client import Client
from obdlog.erase import key_cycle
from obdlog.erase.cautions import LAMPS_LATER
from obdlog.erase.last_erase import find_last_erase
from obdlog.model import Work
from obdlog.module_map import CASE_FILE, write_module_map
from obdlog.modules import Module, System, module_at
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
MODULES = (
    Module("7B0", "7B8", "brake control", system=System.BRAKES),
    Module("737", "73F", "restraint control", system=System.RESTRAINTS),
    Module("720", "728", "instruments"),
)
"""What the workshop has written down of this invented car; it does not know all its modules."""

EVERY = Wanted(every=True)


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
    folder.mkdir(parents=True, exist_ok=True)
    there = {module.spec.response for module in car.modules}
    if known := [module for module in MODULES if module.response in there]:
        write_module_map(folder / CASE_FILE, known)

    _step(1, "Read every module before touching anything (obdlog codes --every-module)")
    with _session(car, folder, "codes") as road:
        codes_command.show(_every_module(road, folder))

    _step(2, "Save the evidence, erase, read back (obdlog clear --every-module)")
    transport = _plug_in(car)
    try:
        cleared = clear(
            transport,
            folder,
            work=WORK,
            facts=FACTS,
            stated_off=False,
            confirm=_tell_of_lamps,
            wanted=EVERY,
        )
    finally:
        transport.close()
    clear_command.show(cleared.document())

    _step(3, "Key cycle: which lamps should be out (clear --after-key-cycle)")
    car.after_key_cycle()
    after_key_cycle.show(_after_key_cycle(car, folder))

    _step(4, "Road test with a passenger at the laptop (obdlog record)")
    seconds = load_drive(DRIVE).duration_s
    with _session(car, folder, "road-test") as road:
        plan = build_plan(road.client)
        # Ten seconds with the engine off give the checks their resting values.
        Recorder(road.client, plan).run(for_s=12.0)
        car.drive(DRIVE)
        recording = Recorder(road.client, plan).run(for_s=seconds)
    screen.say(
        f"{recording.seconds / 60:.0f} min of simulated driving, {recording.readings} readings, "
        f"{recording.readings_per_second:.0f} a second, {recording.lost_exchanges} lost."
    )

    _step(5, "Key cycle, read every module again (codes, readiness)")
    car.after_key_cycle()
    with _session(car, folder, "codes-after-drive") as road:
        document = _every_module(road, folder)
        road.client.read_readiness()
        road.client.read_onboard_tests()
        codes_command.show(document)
        readiness_command.show(documents.readiness_document(road.client.exchanges, road.client.bus))

    _step(6, "Check the log against expected ranges (obdlog check)")
    check_command.show(check_command.findings_of(folder))

    _step(7, "Before and after: is the repair proven? (obdlog compare)")
    compare_command.show(compare_command.comparison_of_case(folder), brief=True)

    _step(8, "Hand over (obdlog plot, obdlog report)")
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
def _session(car: SimulatedCar, folder: Path, step: str) -> Iterator[Road]:
    """Yield a road whose exchanges go to the next session file of `folder`."""
    from obdlog.transport.recording import RecordingTransport

    path = next_session_path(folder, step)
    transport = _plug_in(car)
    try:
        header = session_header(transport, FACTS, WORK)
        with SessionWriter(path, header, transport.clock) as writer:
            note_adapter(transport, writer)
            recording = RecordingTransport(transport, writer)
            client = Client(recording, screen.progress)
            record = read_case_record(folder, screen.tell)
            yield Road(client, recording, writer, FACTS, record, WORK)
    finally:
        transport.close()


def _every_module(road: Road, folder: Path) -> dict[str, Any]:
    """Return the codes of every module that answers, judged."""
    client, transport = road.client, road.transport
    client.read_codes()
    chosen = every_module.choose(road, EVERY, folder)
    modules = every_module.read(road, chosen, EVERY, folder, legislated=True)
    document = documents.codes_document(
        client.exchanges,
        client.bus,
        work=WORK,
        voltage_v=transport.voltage_v(),
        protocol=transport.protocol.name if transport.protocol else "",
        read_at=utc_now(),
        history=road.record.history,
        modules=every_module.by_response(modules),
    )
    every_module.add_modules(document, road, chosen, modules)
    return document


def _tell_of_lamps(before: Before) -> bool:
    """Say what lamps do after an erase; here nobody needs to confirm."""
    if before.modules:
        screen.say(f"Beforehand: {LAMPS_LATER}")
    return True


def _after_key_cycle(car: SimulatedCar, folder: Path) -> dict[str, Any]:
    """Return what the modules list after the key cycle, beside the evidence."""
    last = find_last_erase(folder, screen.tell)
    names = {m.response: m.name for m in MODULES}
    with _session(car, folder, "after-key-cycle") as road:
        client = road.client
        client.read_codes()
        modules = [module_at(*pair) for pair in dict.fromkeys((*last.asked, *last.read))]
        module_reading.read_modules(client, modules, progress=screen.progress, identity=False)
        now = survey.survey_codes(client.exchanges, client.bus)
    compared = key_cycle.compare(last.before, now, last.erased, names)
    return key_cycle.document(str(last.evidence), str(road.path), compared, utc_now())
