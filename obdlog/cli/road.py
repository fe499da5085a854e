"""Opening the road to the car for a command, and keeping the session of what was asked."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from obdlog import __version__, identity
from obdlog.case import CaseFacts, load_case_facts, next_session_path
from obdlog.case_history import NO_RECORD, CaseRecord, read_case_record
from obdlog.cli import screen
from obdlog.client import Client
from obdlog.errors import InputFileError, LinkOpenError, OpenFailure
from obdlog.model import NO_WORK, Work
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.toml_file import load_toml
from obdlog.transport.base import Transport

LINK_VARIABLE = "OBDLOG_LINK"
TABLES_EDITION = "2026.1"


@dataclass(frozen=True, slots=True)
class Road:
    """A connected client and, where one is kept, the session file of what it asks."""

    client: Client
    transport: Transport
    session: SessionWriter | None
    facts: CaseFacts
    record: CaseRecord = NO_RECORD
    work: Work = NO_WORK

    @property
    def path(self) -> Path | None:
        """The session file."""
        return self.session.path if self.session else None

    @property
    def recorded(self) -> SessionHeader | None:
        """The header of the session that is played back, None on a real road."""
        session = getattr(self.transport, "session", None)
        return session.header if session is not None else None

    @property
    def read_at(self) -> str:
        """When the answers are from: now, or when the played-back session began (UTC)."""
        return (self.recorded.started if self.recorded else "") or utc_now()

    @property
    def recorded_vin(self) -> str | None:
        """The VIN that the header of a played-back session states."""
        vin = self.recorded.vehicle.get("vin") if self.recorded else None
        return screen.plain(vin) if isinstance(vin, str) and vin else None

    def played_out(self, _: object = None) -> str:
        """Return why polling must stop when a played-back session is used up, else nothing."""
        return "the recording ended" if getattr(self.transport, "at_end", False) else ""

    def end(self, reason: str) -> None:
        """Close the session file in order."""
        if self.session:
            self.session.end(reason)


def config_path() -> Path:
    """Return where the saved defaults stand on this system."""
    from platformdirs import user_config_path

    return user_config_path("obdlog") / "config.toml"


def resolve_link(link: str | None) -> str:
    """Return the link URL to use: given, from the environment, saved, or the only port.

    Raises
    ------
    LinkOpenError
        Nothing was named and not exactly one serial port exists.
    """
    if link is not None:
        return link
    if named := os.environ.get(LINK_VARIABLE) or _saved_link():
        return named
    from obdlog.links.serial_port import list_ports

    ports = list_ports()
    if len(ports) == 1:
        screen.tell(f"Asking {ports[0].device}, the only serial port found.")
        return ports[0].device
    found = ", ".join(p.device for p in ports) or "none"
    raise LinkOpenError(
        f"no link named, and not exactly one serial port to choose (found: {found})",
        reason=OpenFailure.MISSING,
        hint="Name one with --link, for example --link /dev/ttyUSB0, --link COM5, "
        "--link socket://192.168.0.10:35000; without hardware --link sim://airbox-repair.",
    )


def _saved_link() -> str | None:
    link = load_toml(config_path(), "settings file", may_be_missing=True).get("link")
    return link if isinstance(link, str) and link else None


def save_default_link(link: str) -> Path:
    """Write `link` as the saved default and return the file."""
    path = config_path()
    escaped = link.replace("\\", "\\\\").replace('"', '\\"')
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f'link = "{escaped}"\n', encoding="utf-8")
    except OSError as error:
        raise InputFileError(f"{path} cannot be written: {error.strerror}", path=path) from error
    return path


def work_of(facts: CaseFacts, unplugged: list[str] | None, replaced: list[str] | None) -> Work:
    """Return the work done: what the options say, added to what ``case.toml`` says."""
    return Work.merged([facts.work, Work(tuple(unplugged or ()), tuple(replaced or ()))])


def utc_now() -> str:
    """Return the time in UTC, ISO 8601, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def session_header(
    transport: Transport, facts: CaseFacts, work: Work | None = None
) -> SessionHeader:
    """Return the first line of a session over `transport`."""
    protocol = transport.protocol
    return SessionHeader(
        version=1,
        started=utc_now(),
        software=f"obdlog {__version__}",
        link=transport.url,
        transport=transport.kind,
        protocol=protocol.name if protocol else "",
        vehicle=dict(facts.vehicle),
        work=work or facts.work,
        tables=TABLES_EDITION,
    )


@contextmanager
def open_road(
    link: str | None,
    *,
    step: str,
    case: Path | None = None,
    save: Path | None = None,
    work: Work | None = None,
    keep_wire: bool = False,
) -> Iterator[Road]:
    """Connect and yield a `Road`; whatever happens, the adapter and the file are left in order.

    A session is kept in the case folder, or in `save`; a played-back session is not kept again.
    """
    from obdlog.transport.recording import RecordingTransport
    from obdlog.transport.registry import open_transport

    facts = load_case_facts(case) if case else CaseFacts()
    record = read_case_record(case, tell_warning) if case else NO_RECORD
    transport = open_transport(resolve_link(link), progress=screen.progress)
    writer: SessionWriter | None = None
    try:
        screen.progress("connecting")
        transport.connect()
        path = save or (next_session_path(case, step) if case else None)
        if path is not None and (save or transport.kind != "playback"):
            writer = SessionWriter(path, session_header(transport, facts, work), transport.clock)
            recording = RecordingTransport(transport, writer, keep_wire=keep_wire)
            note_adapter(transport, writer)
            client = Client(recording, screen.progress)
        else:
            client = Client(transport, screen.progress)
        played = getattr(transport, "session", None)
        # What a case or a played-back session says was done counts as much as the options.
        done = Work.merged(
            [played.header.work if played else NO_WORK, record.work, work or facts.work]
        )
        yield Road(client, transport, writer, facts, record, done)
        if other := other_vehicle(record, client):
            screen.tell(f"Warning: {other} Use another --case for it.")
    except KeyboardInterrupt:
        if writer:
            writer.end("stopped by the user")
        raise
    finally:
        try:
            if writer:
                writer.close()
        finally:
            transport.close()


def other_vehicle(record: CaseRecord, client: Client) -> str:
    """Return a sentence when `client` read another vehicle than the case's first, else nothing."""
    vin = identity.vin_of(client.exchanges, client.bus)
    if not vin or not record.vins or vin == record.vins[0]:
        return ""
    return (
        f"this vehicle reports {screen.plain(vin)}, the case began with "
        f"{screen.plain(record.vins[0])}: two vehicles in one case."
    )


def tell_warning(sentence: str) -> None:
    """Print on stderr what of a case could not be read."""
    screen.tell(f"Warning: {screen.plain(sentence)}")


def note_adapter(transport: Transport, writer: SessionWriter) -> float | None:
    """Write the adapter's identity and supply voltage to the session; return the voltage [V]."""
    voltage = transport.voltage_v()
    writer.adapter(voltage_v=voltage, identity=transport.identity)
    return voltage
