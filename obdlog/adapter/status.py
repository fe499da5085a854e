"""What an adapter's status texts mean and what to do about each: one table.

The texts are those of the published ELM327-style command set; from memory, common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Status(StrEnum):
    """What an adapter said besides data; the texts are ours."""

    OK = "ok"
    SEARCHING = "searching"
    NO_DATA = "no-data"
    UNABLE_TO_CONNECT = "unable-to-connect"
    BUS_INIT = "bus-init"
    BUS_INIT_ERROR = "bus-init-error"
    BUS_BUSY = "bus-busy"
    BUS_ERROR = "bus-error"
    CAN_ERROR = "can-error"
    DATA_ERROR = "data-error"
    RX_ERROR = "rx-error"
    BUFFER_FULL = "buffer-full"
    STOPPED = "stopped"
    FB_ERROR = "fb-error"
    LV_RESET = "lv-reset"
    LOW_POWER = "low-power"
    ACT_ALERT = "act-alert"
    ERR_CODE = "err-code"
    UNKNOWN_COMMAND = "unknown-command"
    BANNER = "banner"
    OVERFLOW = "overflow"


class Recovery(StrEnum):
    """The one thing to do after a status."""

    NONE = "none"
    KEEP_WAITING = "keep-waiting"
    REPORT_NO_DATA = "report-no-data"
    REPORT_NO_CONNECTION = "report-no-connection"
    DROP_COMMAND = "drop-command"
    RETRY = "retry"
    ASK_LESS = "ask-less"
    REINITIALISE = "reinitialise"
    RECONNECT = "reconnect"


@dataclass(frozen=True, slots=True)
class StatusFacts:
    """One row: the sentence for a person, and the recovery for the program."""

    meaning: str
    recovery: Recovery


# From mildest to gravest: of several statuses in one reply the gravest speaks for the reply.
STATUS_FACTS: dict[Status, StatusFacts] = {
    Status.OK: StatusFacts("The adapter accepted the command.", Recovery.NONE),
    Status.BUS_INIT: StatusFacts(
        "The adapter woke the bus and is, or was, waiting for the car.", Recovery.KEEP_WAITING
    ),
    Status.SEARCHING: StatusFacts(
        "The adapter is trying one protocol after another.", Recovery.KEEP_WAITING
    ),
    Status.NO_DATA: StatusFacts(
        "No module answered this request in the time the adapter waits.", Recovery.REPORT_NO_DATA
    ),
    Status.UNKNOWN_COMMAND: StatusFacts(
        "The adapter does not know this command.", Recovery.DROP_COMMAND
    ),
    Status.ACT_ALERT: StatusFacts(
        "The adapter saw no activity and was about to sleep.", Recovery.RETRY
    ),
    Status.STOPPED: StatusFacts(
        "Something was sent while the adapter was still waiting for the car.", Recovery.RETRY
    ),
    Status.BUS_BUSY: StatusFacts("The bus was too busy for the request to go out.", Recovery.RETRY),
    Status.DATA_ERROR: StatusFacts(
        "A reply arrived with a wrong checksum or a wrong form.", Recovery.RETRY
    ),
    Status.RX_ERROR: StatusFacts("A frame arrived damaged.", Recovery.RETRY),
    Status.BUFFER_FULL: StatusFacts(
        "Replies came faster than the adapter could pass them on; some are lost.",
        Recovery.ASK_LESS,
    ),
    Status.BUS_ERROR: StatusFacts(
        "The bus carried a signal that the protocol does not allow; look at plug and wiring.",
        Recovery.RETRY,
    ),
    Status.CAN_ERROR: StatusFacts(
        "The adapter cannot use the CAN bus: nobody acknowledges, or the bit rate is wrong.",
        Recovery.RETRY,
    ),
    Status.FB_ERROR: StatusFacts(
        "The adapter drives the bus and does not see its own signal: wiring or bus fault.",
        Recovery.RETRY,
    ),
    Status.BUS_INIT_ERROR: StatusFacts(
        "The car did not answer when the adapter woke the bus.", Recovery.RETRY
    ),
    Status.UNABLE_TO_CONNECT: StatusFacts(
        "No protocol brought an answer; the ignition may be off.", Recovery.REPORT_NO_CONNECTION
    ),
    Status.ERR_CODE: StatusFacts(
        "The adapter met an internal fault and may have fallen back to its defaults.",
        Recovery.REINITIALISE,
    ),
    Status.LOW_POWER: StatusFacts(
        "The adapter is about to switch to low power.", Recovery.REINITIALISE
    ),
    Status.LV_RESET: StatusFacts(
        "The supply voltage fell and the adapter restarted; its settings are gone.",
        Recovery.REINITIALISE,
    ),
    Status.BANNER: StatusFacts(
        "The adapter started anew; unless it was told to, its settings are gone.",
        Recovery.REINITIALISE,
    ),
    Status.OVERFLOW: StatusFacts(
        "More arrived than any reply may hold; this may not be an adapter.", Recovery.RECONNECT
    ),
}

_GRAVITY = {status: rank for rank, status in enumerate(STATUS_FACTS)}

PROGRESS = frozenset({Status.SEARCHING, Status.BUS_INIT})
"""Statuses that only report progress and are noise once data follows."""


def gravest(statuses: tuple[Status, ...], *, has_lines: bool) -> Status | None:
    """Return the status that speaks for a reply, None when nothing needs saying.

    Progress counts only where neither data nor another status came after it.
    """
    said = [s for s in statuses if s not in PROGRESS]
    if not said and not has_lines:
        said = list(statuses)
    return max(said, key=_GRAVITY.__getitem__, default=None)
