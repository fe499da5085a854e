"""Puts the simulated car on a CAN bus, in real time until told to stop.

python-can is imported only when a bus is served.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Unpack

from obdlog.clock import SystemClock
from obdlog.errors import LinkClosedError, LinkOpenError, OpenFailure
from obdlog.links.multicast import keep_to_own_group
from obdlog.simulator.can_node import CanFrame, CanManners, CanNode
from obdlog.simulator.profile import load_profile
from obdlog.simulator.serve import Options, Ready, build_car, leave_alone, never

if TYPE_CHECKING:
    import can

_IDLE_S = 0.1
_MOST_FAILURES = 100
_BURST = 64
_ON_THIS_MACHINE = 0
"""Hops that multicast may take: none, so that the car stays on this machine."""


def serve_can(
    scenario: str,
    place: str,
    *,
    bus: can.BusABC | None = None,
    manners: CanManners | None = None,
    ready: Ready | None = None,
    **options: Unpack[Options],
) -> None:
    """Serve on a CAN bus until Ctrl-C; `ready` is called with the link URL once it is open.

    Parameters
    ----------
    place
        python-can's interface and channel, ``udp_multicast/239.74.163.2`` or ``virtual/bench``.
    bus
        An open bus to use instead of opening one; it stays open.

    Raises
    ------
    LinkOpenError
        The interface cannot be opened, or there is no such scenario or drive.
    LinkClosedError
        The bus is gone.
    """
    profile = load_profile(scenario)
    kind = profile.bus_kind
    if not kind.is_can:
        raise LinkOpenError(
            f"the car {scenario!r} has no CAN bus, it speaks {kind.title}",
            reason=OpenFailure.BAD_URL,
            hint="choose another car, or serve this one with --tcp",
        )
    clock = SystemClock()
    car = build_car(profile, clock, options)
    node = CanNode(car, manners)
    stop, attend = options.get("stop", never), options.get("attend", leave_alone)
    with contextlib.ExitStack() as held:
        if bus is None:
            bus = held.enter_context(_opened(place, kind.bit_rate))
        if ready is not None:
            ready(f"can://{place}")
        try:
            failures = 0
            while not stop():
                car.advance()
                attend(car)
                failures = 0 if _turn_over(bus, node, clock) else failures + 1
                if failures >= _MOST_FAILURES:
                    raise LinkClosedError(f"the CAN bus at {place} does not work any more")
        except KeyboardInterrupt:
            return


def _turn_over(bus: can.BusABC, node: CanNode, clock: SystemClock) -> bool:
    """Take what has come, send what is due; return whether the bus still works."""
    import can

    due_s = node.next_due_s()
    patience_s = _IDLE_S if due_s is None else min(max(due_s - clock.now_s(), 0.0), _IDLE_S)
    try:
        for _ in range(_BURST):
            message = bus.recv(patience_s)
            if message is None:
                break
            patience_s = 0.0
            if not (message.is_error_frame or message.is_remote_frame or message.is_fd):
                bits = 29 if message.is_extended_id else 11
                frame = CanFrame(message.arbitration_id, bits, bytes(message.data))
                node.receive(frame, clock.now_s())
        for frame in node.due(clock.now_s()):
            bus.send(
                can.Message(
                    arbitration_id=frame.identifier,
                    is_extended_id=frame.id_bits == 29,
                    data=frame.data,
                )
            )
    except (can.CanError, OSError, ValueError):
        # A broken packet, a full queue, nobody who acknowledges: other units would go on too.
        return False
    return True


@contextlib.contextmanager
def _opened(place: str, bit_rate: int) -> Iterator[can.BusABC]:
    """Open the bus at ``INTERFACE/CHANNEL``, and leave it at the end."""
    import can

    interface, separator, channel = place.partition("/")
    if not separator or not channel:
        raise LinkOpenError(
            f"{place[:60]!r} is no CAN bus",
            reason=OpenFailure.BAD_URL,
            hint="Name interface and channel, for example udp_multicast/239.74.163.2",
        )
    if interface not in can.VALID_INTERFACES:
        raise LinkOpenError(
            f"there is no CAN interface {interface[:40]!r}",
            reason=OpenFailure.BAD_URL,
            hint="python-can knows " + ", ".join(sorted(can.VALID_INTERFACES)),
        )
    # What python-can logs of a bus that did not open is no news beside the error below.
    logging.getLogger("can").addHandler(logging.NullHandler())
    options: dict[str, Any] = {"bitrate": bit_rate}
    if interface == "udp_multicast":
        options = {"fd": False, "hop_limit": _ON_THIS_MACHINE}
    try:
        # What this machine's settings for python-can say of other buses does not count.
        bus = can.Bus(interface=interface, channel=channel, ignore_config=True, **options)
    except Exception as error:  # drivers raise whatever they like
        said = " ".join(str(error).split())[:200] or type(error).__name__
        raise LinkOpenError(
            f"cannot serve on the CAN bus {place[:60]}: {said}",
            reason=OpenFailure.OTHER,
            hint="Check its name and that python-can has what this interface needs.",
        ) from error
    if interface == "udp_multicast":
        keep_to_own_group(bus.fileno())
    try:
        yield bus
    finally:
        with contextlib.suppress(Exception):
            bus.shutdown()
