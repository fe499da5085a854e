"""A capture as a session file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any

from obdlog.addresses import module_name
from obdlog.capture.frames import Store, Tally
from obdlog.capture.pairing import Pairing
from obdlog.capture.read import Capture, Progress, read_capture
from obdlog.capture.roles import roles_of, unproven
from obdlog.clock import ManualClock
from obdlog.errors import InputFileError, SessionFileError
from obdlog.model import Exchange
from obdlog.session.format import LONGEST_SESSION_S, SessionHeader, printable
from obdlog.session.writer import SessionWriter

_FIRST_YEAR, _LAST_YEAR = 2000, 2100


@dataclass(frozen=True, slots=True)
class CapturedModule:
    """A module that answered: `address` it answers from, `request` it is asked at, if known."""

    address: str
    request: str
    name: str
    messages: int


@dataclass(frozen=True, slots=True)
class CaptureSummary:
    """What an import did.

    Attributes
    ----------
    title
        The format of the capture, in words; `is_text` where it has lines.
    tally
        What the whole capture held.
    diagnostic_frames
        Frames of identifiers that carry diagnostic messages.
    exchanges
        Exchanges written, of which the request of `inferred` was not seen.
    faults
        Sentences on messages that could not be put together, the first hundred of `fault_count`.
    unproven
        Identifiers that may be diagnostic and did not prove to be, with their frames.
    seconds
        From the first to the last frame of the capture [s].
    """

    title: str
    tally: Tally
    diagnostic_frames: int
    exchanges: int
    inferred: int
    modules: tuple[CapturedModule, ...]
    channels: tuple[str, ...]
    fault_count: int
    faults: tuple[str, ...]
    unproven: dict[str, int]
    started: str
    seconds: float
    is_text: bool


def import_capture(
    src: Path,
    dst: Path,
    note: str = "",
    *,
    vehicle: dict[str, Any] | None = None,
    software: str = "obdlog",
    progress: Progress | None = None,
) -> CaptureSummary:
    """Return what was imported from the capture `src` into the new session file `dst`.

    `note` and `vehicle` (facts that are known) go into its first line. Times count from the
    first frame of the capture. No file is left where there is nothing to write.

    Raises
    ------
    InputFileError
        The file is no capture, or holds no diagnostic message.
    SessionFileError
        `dst` exists or cannot be written.
    """
    if dst.exists():
        raise SessionFileError(
            f"{dst} exists already; a session never overwrites a file",
            path=dst,
            hint="Choose another name with --out.",
        )
    capture = read_capture(src, progress)
    roles = roles_of(capture.store)
    pairing = Pairing(roles)
    exchanges = pairing.exchanges(capture.store.frames(), capture.seconds)
    first = next(exchanges, None)
    if first is None:
        raise _none_found(src, capture, pairing)
    started = _utc(capture.started_s)
    header = SessionHeader(
        version=1,
        started=started,
        software=software,
        vehicle=vehicle or {},
        link=printable(src.name, 200),
        transport="can",
        protocol=_protocol(capture.store, pairing),
        origin="; ".join(filter(None, (printable(note), f"capture {printable(src.name, 200)}"))),
    )
    _write(dst, header, chain([first], exchanges), capture.seconds)
    return CaptureSummary(
        title=capture.title,
        tally=capture.tally,
        diagnostic_frames=pairing.frames,
        exchanges=pairing.exchange_count,
        inferred=pairing.inferred,
        modules=tuple(
            CapturedModule(address, pairing.asked_at[address], module_name(address), count)
            for address, count in sorted(pairing.answers.items())
        ),
        channels=tuple(pairing.channels),
        fault_count=pairing.fault_count,
        faults=tuple(pairing.faults),
        unproven=dict(unproven(capture.store, roles).most_common(50)),
        started=started,
        seconds=round(capture.seconds, 6),
        is_text=capture.is_text,
    )


def _write(dst: Path, header: SessionHeader, exchanges: Iterator[Exchange], seconds: float) -> None:
    clock = ManualClock()
    whole = False
    writer = SessionWriter(dst, header, clock)
    try:
        with writer:
            for exchange in exchanges:
                if exchange.at_s <= LONGEST_SESSION_S:
                    writer.exchange(exchange)
            clock.sleep_s(min(seconds, LONGEST_SESSION_S))
        whole = True
    finally:
        if not whole:  # half an import would pass for the whole
            dst.unlink(missing_ok=True)


def _protocol(store: Store, pairing: Pairing) -> str:
    """Return the protocol as far as frames tell it: a capture does not say its bit rate."""
    counts = {3: 0, 8: 0}
    for address, count in pairing.answers.items():
        counts[len(address)] += count
    if not any(counts.values()):
        extended = [s.extended for s in store.senders if s in pairing.roles]
        counts[8 if extended.count(True) > extended.count(False) else 3] = 1
    return f"ISO 15765-4 CAN {11 if counts[3] >= counts[8] else 29} bit"


def _utc(stamp_s: float) -> str:
    """Return a stamp as UTC where it can be a moment, empty where it only counts seconds."""
    try:
        moment = datetime.fromtimestamp(stamp_s, UTC)
    except (ValueError, OverflowError, OSError):
        return ""
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        return ""
    return moment.isoformat().replace("+00:00", "Z")


def _none_found(src: Path, capture: Capture, pairing: Pairing) -> InputFileError:
    seen = capture.tally.frames
    kind = "frame" if seen == 1 else "frames"
    beside = (
        f"; {pairing.frames} on diagnostic identifiers hold no whole message"
        if pairing.frames
        else ""
    )
    return InputFileError(
        f"{src}: no diagnostic messages found in {seen:,} {kind}{beside}",
        path=src,
        hint="Record while a tester asks the car: a bus carries none by itself.",
    )
