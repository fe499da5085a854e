"""Questions a user asks of a car, over any transport.

A `Client` keeps every exchange it made, so that `obdlog.survey` can read the answers and a
session file can hold the evidence. Nothing here changes the vehicle; erasing stands alone in
`obdlog.erase`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from obdlog import identity, on_uds, survey
from obdlog.addresses import ENGINE, module_name
from obdlog.errors import NoAnswerError, RefusedError
from obdlog.model import FUNCTIONAL, Bus, Exchange, Generation, Outcome, Request
from obdlog.services import obd_on_uds, requests, scales
from obdlog.services.registry import changes_vehicle
from obdlog.tables import info_types
from obdlog.tables.decode import Context
from obdlog.transport.base import BusProtocol, Transport

FREEZE_FRAME_USUAL = (
    0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x1F,
    0x33, 0x42, 0x43, 0x44, 0x45, 0x46,
)  # fmt: skip
"""Asked of a freeze frame whose bitmap is not known: what most cars store."""

USUAL_INFO = (0x02, 0x04, 0x06, 0x0A, *identity.IN_USE_TYPES)
"""Asked of a car that does not answer which information types it supports."""

COUNTER_PIDS = (0x21, 0x30, 0x31, 0x4D, 0x4E)
JUDGING_PIDS = (
    0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11, 0x23, 0x30, 0x31, 0x33, 0x42, 0x46, 0x49, 0x4E, 0x5C,
    0x6B, 0x6D, 0x77,
)  # fmt: skip
"""Live readings that the judgement of codes looks at, of those that the car supports."""

Progress = Callable[[str], None]


def _quiet(_: str) -> None:
    """Say nothing."""


class Client:
    """Asks; remembers what came back in `exchanges`.

    Parameters
    ----------
    transport
        Any road to a car.
    progress
        Called with a few words before each longer step.
    """

    def __init__(self, transport: Transport, progress: Progress = _quiet) -> None:
        self.transport = transport
        self.exchanges: list[Exchange] = []
        self._progress = progress

    @property
    def bus(self) -> Bus:
        """The bus family of the connected car."""
        protocol = self.transport.protocol
        return protocol.bus if protocol is not None else Bus.CAN

    @property
    def on_uds(self) -> bool:
        """Whether the connected car speaks SAE J1979-2 instead of SAE J1979."""
        return self.transport.generation is Generation.ON_UDS

    @property
    def most_pids(self) -> int:
        """The most PIDs that one request may carry on this car's road."""
        if self.bus is not Bus.CAN:
            return 1
        return obd_on_uds.MOST_IDENTIFIERS if self.on_uds else requests.MAX_PIDS_PER_REQUEST

    def connect(self) -> BusProtocol:
        """Set the road up and find the protocol; errors as `Transport.connect`."""
        self._progress("connecting")
        return self.transport.connect()

    def ask(
        self,
        payload: bytes,
        *,
        purpose: str = "",
        target: str = FUNCTIONAL,
        reply_from: str | None = None,
        wait_s: float | None = None,
        keep: bool = True,
    ) -> Exchange:
        """Send one harmless request; `keep` the exchange, unless there will be too many.

        To a car after SAE J1979-2, requests of services 01, 06 and 09 go out as identifiers of
        service 22, and what is returned and kept is in the words of SAE J1979.

        Parameters
        ----------
        target, reply_from, wait_s
            As of `Request`: one module's address, where it answers from, and how long it may be
            silent [s].

        Raises
        ------
        RefusedError
            The request would change the vehicle.
        """
        if changes_vehicle(payload):
            raise RefusedError(
                f"service {payload[0]:02X} changes the vehicle and is not asked here"
                if payload
                else "an empty request is not asked"
            )
        request = Request(payload, target, purpose, reply_from=reply_from, wait_s=wait_s)
        if self.on_uds and on_uds.has_words(payload):
            parts = list(on_uds.translated(self.transport, request))
        else:
            parts = [self.transport.exchange(request)]
        if keep:
            # One by one, as a session file holds them.
            self.exchanges += parts
        return on_uds.joined(request, parts)

    def ask_bitmaps(self, service: int, *, purpose: str = "identify") -> dict[str, frozenset[int]]:
        """Return what each module supports of `service`, asking bitmap after bitmap.

        The next bitmap is asked only where one announced it (SAE J1979).
        """
        base = 0x00
        while base <= 0xE0:
            payload = (
                requests.build_freeze_frame(base) if service == 0x02 else bytes([service, base])
            )
            exchange = self.ask(payload, purpose=purpose)
            if not exchange.positive():
                break
            if not any(base + 0x20 in pids for pids in self._supported(service).values()):
                break
            base += 0x20
        return self._supported(service)

    def _has_asked(self, payload: bytes) -> bool:
        return any(e.request.payload == payload for e in self.exchanges)

    def _recorded(self, *services: int) -> tuple[bytes, ...]:
        """Return what a recording that is played back was asked, bitmaps left out."""
        asked: tuple[bytes, ...] = getattr(self.transport, "asked", ())
        return tuple(p for p in asked if p[0] in services and len(p) > 1 and p[1] % 0x20)

    def _supported(self, service: int) -> dict[str, frozenset[int]]:
        return survey.supported(self.exchanges, service, self.bus)

    def _signals(self) -> dict[str, frozenset[int]]:
        return self._supported(0x01) or self.ask_bitmaps(0x01)

    def _ask_signals(self, pids: Iterable[int], purpose: str) -> None:
        """Ask those of `pids` that any module announces, and those whose bitmap stayed unanswered.

        Without any bitmap all are asked.
        """
        supported = self._signals()
        known = frozenset().union(*supported.values())
        base = 0x00
        while base + 0x20 in known and any(base + 0x20 < pid <= base + 0x40 for pid in known):
            base += 0x20
        unanswered = base + 0x20 if base + 0x20 in known else None
        for pid in pids:
            if not supported or pid in known or (unanswered is not None and pid > unanswered):
                self.ask(bytes([0x01, pid]), purpose=purpose)

    def ask_scales(self) -> None:
        """Ask what the meaning of other readings depends on: PIDs 13, 1D, 4F and 50.

        Each is asked once, of all modules, as far as any announces it; every module answers for
        itself.
        """
        self._ask_signals(
            (pid for pid in scales.SCALE_PIDS if not self._has_asked(bytes([0x01, pid]))),
            "identify",
        )

    def contexts(self) -> dict[str, Context]:
        """Return per module the scales and sensor places that it has stated so far."""
        return scales.contexts(self.exchanges)

    def read_codes(self) -> None:
        """Ask lamp, stored, pending and permanent codes, freeze frames and live readings.

        Raises
        ------
        NoAnswerError
            No module answered any of it.
        """
        self._progress("reading codes")
        self._ask_signals((0x01,), "codes")
        if not self._has_asked(b"\x09\x02"):
            self.ask(requests.build_vehicle_info(0x02), purpose="identify")
        if self.on_uds:
            on_uds.ask_codes(self)
        else:
            for service in survey.CODE_SERVICES:
                self.ask(bytes([service]), purpose="codes")
        self.ask_scales()
        self._progress("reading freeze frames")
        if self.on_uds:
            on_uds.ask_stored(self)
        else:
            self._ask_freeze_frames()
        self._ask_signals(JUDGING_PIDS, "codes")
        self._need_answers("codes")

    def _ask_freeze_frames(self) -> None:
        owner = self.ask(requests.build_freeze_frame(0x02), purpose="codes")
        if not any(any(m.payload[3:5]) for m in owner.positive()):
            return
        supported = self.ask_bitmaps(0x02, purpose="codes")
        announced = frozenset().union(*supported.values()) if supported else FREEZE_FRAME_USUAL
        recorded = {pid for payload in self._recorded(0x02) for pid in payload[1::2]}
        for pid in sorted({*announced, *recorded} - {0x02}):
            if pid % 0x20:
                self.ask(requests.build_freeze_frame(pid), purpose="codes")

    def read_readiness(self) -> None:
        """Ask the monitors since clearing and this drive, and all counters."""
        self._progress("reading readiness")
        self._ask_signals((0x01, 0x41, *COUNTER_PIDS), "readiness")
        if self.on_uds:
            on_uds.ask_groups(self)
        self._need_answers("readiness")
        announced = self._supported(0x09) or self.ask_bitmaps(0x09, purpose="readiness")
        for info_type in identity.IN_USE_TYPES:
            request = requests.build_vehicle_info(info_type)
            if any(info_type in types for types in announced.values()):
                self.ask(request, purpose="readiness")

    def read_vehicle(self) -> None:
        """Ask identity: supported signals, VIN, calibrations, ECU names, in-use counters."""
        self._progress("reading identity")
        self._signals()
        self._ask_signals((0x1D,), "identify")  # whether there are banks 3 and 4
        announced = self.ask_bitmaps(0x09)
        known = frozenset().union(*announced.values()) if announced else None
        table = info_types.info_types()
        for info_type in USUAL_INFO if known is None else sorted(known):
            kind = table.get(info_type)
            counts = kind is not None and kind.layout == info_types.MESSAGE_COUNT
            if info_type % 0x20 and not counts:
                self.ask(requests.build_vehicle_info(info_type), purpose="identify")
        if self.on_uds:
            on_uds.ask_further(self)
        self._need_answers("identity")

    def read_onboard_tests(self) -> None:
        """Ask every on-board test result that the car announces (service 06; 05 before CAN)."""
        self._progress("reading on-board test results")
        announced = self.ask_bitmaps(0x06, purpose="onboard-tests")
        monitors = frozenset().union(*announced.values()) if announced else frozenset()
        for monitor in sorted(monitors):
            if monitor % 0x20:
                self.ask(requests.build_onboard_tests(monitor), purpose="onboard-tests")
        if self.bus is Bus.LEGACY:
            self._ask_oxygen_tests()
        # A recording may hold results without the bitmaps that announce them.
        for payload in self._recorded(0x05, 0x06):
            if not self._has_asked(payload):
                self.ask(payload, purpose="onboard-tests")

    def _ask_oxygen_tests(self) -> None:
        """Ask service 05 for every oxygen sensor that PID 13 or 1D names (SAE J1979)."""
        self._ask_signals((0x13, 0x1D), "onboard-tests")
        fitted = [
            data[pid][0]
            for data in survey.latest_data(self.exchanges).values()
            for pid in (0x13, 0x1D)
            if len(data.get(pid, b"")) == 1
        ]
        for sensor in (1 << bit for bit in range(8)):
            if not any(bits & sensor for bits in fitted):
                continue
            for test in self._oxygen_tests_of(sensor):
                self.ask(requests.build_oxygen_tests(test, sensor), purpose="onboard-tests")

    def _oxygen_tests_of(self, sensor: int) -> tuple[int, ...]:
        """Ask the bitmaps of service 05; return the tests that they announce for `sensor`."""
        tests: set[int] = set()
        for base in sorted(survey.BITMAP_PIDS):
            if base and base not in tests:
                break
            bitmap = self.ask(requests.build_oxygen_tests(base, sensor), purpose="onboard-tests")
            tests.update(*survey.supported([bitmap], 0x05).values())
        return tuple(sorted(tests - survey.BITMAP_PIDS))

    def engine_speed_rpm(self) -> float | None:
        """Return the highest engine speed any module reports now [min-1].

        None when no module supports it. Errors as `fresh_number`.
        """
        return self.fresh_number(0x0C, "RPM", needed=True)

    def vehicle_speed_kmh(self) -> float | None:
        """Return the highest vehicle speed any module reports now [km/h].

        None when no module gives it. Errors as `fresh_number`.
        """
        return self.fresh_number(0x0D, "VSS")

    def fresh_number(self, pid: int, signal: str, *, needed: bool = False) -> float | None:
        """Return the highest value of a signal that any module reports now, None without one.

        Parameters
        ----------
        needed
            A module that announces the signal must give it, and the engine's for itself.

        Raises
        ------
        NoAnswerError
            An answer was damaged, or one that is `needed` did not come.
        """
        announcing = {source for source, pids in self._signals().items() if pid in pids}
        engine = {source for source in announcing if module_name(source) == ENGINE}
        exchange = self.ask(bytes([0x01, pid]), purpose="safety")
        # Each message for itself: without headers all seem to come from one module.
        alone = [replace(exchange, messages=(message,)) for message in exchange.positive()]
        readings = [r for e in alone for r in survey.latest_readings([e], self.bus).items()]
        values = [(source, found[signal].value) for source, found in readings if signal in found]
        numbers = {source: float(v) for source, v in values if isinstance(v, (int, float))}
        highest = [float(v) for _, v in values if isinstance(v, (int, float))]
        absent = exchange.outcome in (Outcome.NO_DATA, Outcome.REFUSED)
        # What another module says does not stand in for the engine's own lost answer.
        missing = needed and not (engine or announcing) <= numbers.keys()
        if missing or (not numbers and not absent):
            raise NoAnswerError(
                f"the answer about PID {pid:02X} did not arrive whole", hint="Try again."
            )
        return max(highest, default=None)

    def _need_answers(self, what: str) -> None:
        if not survey.answered(self.exchanges):
            raise NoAnswerError(
                f"no module answered the request for {what}",
                hint="The recording does not hold it."
                if self.transport.kind == "playback"
                else "Switch the ignition on (engine off is enough) and try again.",
            )
