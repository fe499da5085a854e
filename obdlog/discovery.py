"""Finds the modules beyond the legislated ones, by requests that change nothing.

Each address is asked alone whether somebody is there (service 3E), one after the other and with a
pause between, so that the vehicle's own traffic is not disturbed. Any answer counts, a refusal too.

References
----------
ISO 14229-1, services 3E and 10; ISO 15765-4 for the legislated addresses; ISO 15765-2 for normal
fixed addressing. That modules of the maker's choice listen at 11-bit identifiers 700–7F7, mostly
with the fourth bit clear, is common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from obdlog import survey
from obdlog.client import Client
from obdlog.errors import NoAnswerError, RefusedError
from obdlog.model import FUNCTIONAL, UNKNOWN_SOURCE, Bus, Exchange, Outcome
from obdlog.modules import (
    Language,
    Module,
    module_at,
    usual_request,
    usual_response,
)
from obdlog.services.sessions import build_default_session, build_tester_present

PURPOSE = "search"
WAIT_S = 0.06
"""How long a module may be silent: it has 50 ms (ISO 14229-2, P2server_max)."""
PAUSE_S = 0.01
OVERHEAD_S = 0.03
"""What an adapter takes besides, for the estimate only."""
PATIENT_WAIT_S = 0.15

SPEED_EVERY = 64
"""So many requests are sent before it is checked again that the vehicle stands."""
MOST_FOUND = 128
MOST_REMARKS = 50
GIVE_UP_AFTER = 6
"""After so many requests in a row that the road could not carry, the rest is not tried."""

FUNCTIONAL_IDS = frozenset({0x7DF})
RESPONSE_IDS = frozenset(range(0x7E8, 0x7F0))
FIRST_ID, LAST_ID = 0x700, 0x7F7
OWN_BYTES = frozenset({0x33, 0xF1})
"""Not modules: the address of all of them, and the tester's own (ISO 15765-4)."""

RANGES = {11: "700–7F7", 29: "18DA00F1–18DAFFF1"}
NO_STANDARD_SEARCH = (
    "on this older bus there is no standard way to search; only modules that a map names were tried"
)

USUAL_ONLY = (
    "modules that answer from an unusual address: this adapter listened to one address at a time, "
    "eight above the one asked"
)
NOT_CARRIED = "this road does not carry such addresses on this vehicle's bus"

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Found:
    """What a search found, and what it leaves open.

    Parameters
    ----------
    modules
        Modules that answered, legislated ones left out.
    silent
        Modules that were known before and did not answer.
    searched
        Ranges of addresses that were asked, and how many of them.
    not_reached
        What was not searched, or not wholly, and why.
    remarks
        What else is worth knowing: two modules behind one address.
    complete
        False where the search was stopped, be it by Ctrl-C (`interrupted`).
    """

    modules: tuple[Module, ...] = ()
    silent: tuple[Module, ...] = ()
    searched: tuple[str, ...] = ()
    not_reached: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    asked: int = 0
    complete: bool = True
    interrupted: bool = False


def require_stationary(client: Client) -> str:
    """Return an empty text where the vehicle stands, a sentence where it does not tell its speed.

    Raises
    ------
    RefusedError
        It moves, or its speed could not be read although it is supported.
    """
    hint = "Park the vehicle and try again."
    try:
        speed = client.vehicle_speed_kmh()
    except NoAnswerError as error:
        raise RefusedError(
            f"it is not certain that the vehicle stands: {error}; no module was asked", hint=hint
        ) from error
    if speed:
        raise RefusedError(
            f"the vehicle moves at {speed:.0f} km/h; other modules are asked while it stands",
            hint=hint,
        )
    if speed is not None:
        return ""
    if any(0x0D in pids for pids in survey.supported(client.exchanges, 0x01).values()):
        raise RefusedError(
            "it is not certain that the vehicle stands: no module gave the speed that it supports; "
            "no module was asked",
            hint=hint,
        )
    return "No module reports the vehicle's speed: make sure that it stands while others are asked."


def estimate_s(client: Client, *, thorough: bool = False) -> float:
    """Return about how long a search takes [s]; 0 where there is none."""
    if client.bus is Bus.LEGACY:
        return 0.0
    wait_s = PATIENT_WAIT_S if thorough else WAIT_S
    passes = 2 if thorough else 1
    return sum(map(len, map(_candidates, RANGES))) * (wait_s + PAUSE_S + OVERHEAD_S) * passes


def find_modules(
    client: Client,
    known: Sequence[Module] = (),
    *,
    progress: Progress = lambda _: None,
    thorough: bool = False,
) -> Found:
    """Return the modules that answer beside those that answered requests to all.

    Asks `known` modules first, then every physical address of the car's own identifier width,
    then those of the other width where the road can. Stopped with Ctrl-C it returns what it has.

    Parameters
    ----------
    progress
        Called with a few words now and then.
    thorough
        Wait longer, and ask what stays silent once more, for the default session (10 01).

    Raises
    ------
    LinkError
        The road is gone.
    """
    search = _Search(client, progress, PATIENT_WAIT_S if thorough else WAIT_S)
    try:
        for module in known:
            search.ask_known(module)
        if client.bus is Bus.LEGACY:
            search.not_reached.append(NO_STANDARD_SEARCH)
        else:
            protocol = client.transport.protocol
            own = protocol.id_bits if protocol is not None else 11
            for bits in sorted(RANGES, key=lambda bits: bits != own):
                if search.complete:
                    search.ask_range(bits, thorough=thorough)
    except KeyboardInterrupt:
        search.complete = False
        search.interrupted = True
        search.not_reached.append("the search was stopped before its end")
    return search.result()


def find_one(client: Client, address: str) -> Module | None:
    """Return the module that listens at, or answers from, `address`; None where all is silent."""
    search = _Search(client, lambda _: None, PATIENT_WAIT_S)
    requests = [address]
    if (other := usual_request(address)) and usual_response(other) == address:
        requests.append(other)
    for request in dict.fromkeys(requests):
        wanted = None if request == address else address
        for payload in (build_tester_present(), build_default_session()):
            exchange = search.ask(payload, request, wanted)
            sources = _sources(exchange) if exchange else ()
            if len(sources) == 1:
                return module_at(request, sources[0])
    return None


def recorded_modules(exchanges: Iterable[Exchange]) -> tuple[Module, ...]:
    """Return the modules that a recording asked alone and that answered, in its order."""
    answered: dict[str, Counter[str]] = {}
    for exchange in exchanges:
        if exchange.request.target != FUNCTIONAL:
            for source in _sources(exchange):
                answered.setdefault(source, Counter())[exchange.request.target] += 1
    # An answer may have come late, when another address had been asked: most answers tell.
    return tuple(
        module_at(requests.most_common(1)[0][0], response)
        for response, requests in answered.items()
    )


def legislated(exchanges: Iterable[Exchange]) -> frozenset[str]:
    """Return the addresses that answered requests to all modules."""
    return frozenset(
        m.source for e in exchanges if e.request.target == FUNCTIONAL for m in e.messages
    )


@dataclass(slots=True)
class _Search:
    """One search under way."""

    client: Client
    progress: Progress
    wait_s: float
    found: dict[str, Module] = field(default_factory=dict)
    silent: list[Module] = field(default_factory=list)
    shared: dict[str, tuple[str, ...]] = field(default_factory=dict)
    searched: list[str] = field(default_factory=list)
    not_reached: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    asked: int = 0
    complete: bool = True
    interrupted: bool = False
    _refused_by_road: str = ""
    _legislated: frozenset[str] = frozenset()
    _elsewhere: dict[str, list[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Leave out what answers requests to all: it is known already."""
        self._legislated = legislated(self.client.exchanges)

    def ask(self, payload: bytes, request: str, reply_from: str | None) -> Exchange | None:
        """Return the exchange with one address, None where the road cannot carry it."""
        self._refused_by_road = ""
        try:
            exchange = self.client.ask(
                payload,
                purpose=PURPOSE,
                target=request,
                reply_from=reply_from,
                wait_s=self.wait_s,
                keep=False,
            )
        except ValueError:
            self._refused_by_road = NOT_CARRIED
            return None
        self.asked += 1
        if exchange.messages:
            self.client.exchanges.append(exchange)
        elif "cannot" in exchange.note and exchange.outcome is Outcome.NO_DATA:
            self._refused_by_road = exchange.note
        return exchange

    def ask_known(self, module: Module) -> None:
        """Ask a module that is known from a map or the case."""
        if module.response in self._legislated or module.response in self.found:
            return
        self.progress(f"asking {module.name}")
        exchange = None
        for payload in (build_tester_present(), build_tester_present(Language.ISO_14230)):
            exchange = self.ask(payload, module.request, module.response)
            if exchange is None or module.response in _sources(exchange):
                break
        if exchange is not None and module.response in _sources(exchange):
            self.found[module.response] = module
            return
        if self._refused_by_road:
            self.not_reached.append(f"{module.name} ({module.addresses}): {self._refused_by_road}")
        else:
            self.silent.append(module)

    def ask_range(self, bits: int, *, thorough: bool) -> None:
        """Ask every physical address of one identifier width."""
        payloads = [build_tester_present()] + ([build_default_session()] if thorough else [])
        for payload in payloads:
            before = self.asked
            stopped = self._ask_all(bits, payload)
            count = self.asked - before
            if count:
                self.searched.append(f"{count} addresses in {RANGES[bits]} ({payload.hex(' ')})")
            if stopped:
                self.not_reached.append(f"{RANGES[bits]}: {stopped}")
                break
        if bits == 11 and not getattr(self.client.transport, "searches_ranges", True):
            self.not_reached.append(USUAL_ONLY)

    def _ask_all(self, bits: int, payload: bytes) -> str:
        """Ask the range with `payload`; return why it was given up, else nothing."""
        not_carried, before = 0, ""
        taken = {m.request for m in self.found.values()} | {m.request for m in self.silent}
        taken |= {usual_request(address) or "" for address in self._legislated}
        for number, request in enumerate(_candidates(bits)):
            if request in taken or request in self.found or request in self.shared:
                continue
            if number % SPEED_EVERY == SPEED_EVERY - 1 and (moves := self._moves()):
                self.complete = False
                return moves
            if number % 16 == 0:
                self.progress(f"asking from {request} on; found so far: {len(self.found)}")
            exchange = self.ask(payload, request, None)
            if self._refused_by_road:
                not_carried += 1
                if not_carried >= GIVE_UP_AFTER:
                    return self._refused_by_road
            else:
                not_carried = 0
            if exchange is not None:
                self._note(request, exchange, payload, before)
            before = request
            if len(self.found) >= MOST_FOUND:
                return f"given up after {MOST_FOUND} modules"
            self.client.transport.clock.sleep_s(PAUSE_S)
        return ""

    def _note(self, request: str, exchange: Exchange, payload: bytes, before: str) -> None:
        """Keep who answered at `request`, or late at the address that was asked `before`."""
        sources = [s for s in _sources(exchange) if s not in self._legislated]
        if not sources:
            if exchange.damaged or exchange.outcome is Outcome.GARBLED:
                self.remarks.append(
                    f"what answers at {request} did not arrive whole; it was not read"
                )
        elif UNKNOWN_SOURCE in sources:
            self.remarks.append(
                f"a module answers at {request}, and this road does not tell from where; it was "
                "not read"
            )
        elif len(sources) > 1 or (len(request) == 3) != (len(sources[0]) == 3):
            self.shared[request] = tuple(sources)
        elif sources[0] in self.found:
            self._elsewhere.setdefault(sources[0], []).append(request)
        else:
            self._confirm(sources[0], payload, request, before)

    def _confirm(self, source: str, payload: bytes, *requests: str) -> None:
        """Ask again, so that a late or a stray answer gives no module a wrong address."""
        usual, self.wait_s = self.wait_s, max(self.wait_s, PATIENT_WAIT_S)
        try:
            for request in filter(None, requests):
                exchange = self.ask(payload, request, source)
                if exchange is not None and source in _sources(exchange):
                    self.found[source] = module_at(request, source)
                    return
        finally:
            self.wait_s = usual
        self.remarks.append(
            f"{source} answered once when {requests[0]} was asked, and not again; it was not read"
        )

    def _moves(self) -> str:
        """Return why the search ends where the vehicle does not stand any more, else nothing."""
        try:
            speed = self.client.vehicle_speed_kmh()
        except NoAnswerError as error:
            return f"stopped: whether the vehicle still stands is not known, {error}"
        return f"stopped: the vehicle moves at {speed:.0f} km/h" if speed else ""

    def result(self) -> Found:
        """Return what was found so far."""
        for request, sources in self.shared.items():
            alone = [s for s in sources if s not in self.found]
            if alone:
                self.remarks.append(
                    f"several modules answer at {request} ({', '.join(sources[:4])}): they cannot "
                    f"be asked apart; {', '.join(alone[:4])} not read"
                )
        for response, requests in self._elsewhere.items():
            more = f" and {len(requests) - 3} more" if len(requests) > 3 else ""
            self.remarks.append(
                f"{response} answers at {', '.join(requests[:3])}{more} too, beside "
                f"{self.found[response].request}: one module, or two on one address"
            )
        return Found(
            tuple(sorted(self.found.values(), key=lambda m: (len(m.response), m.response))),
            tuple(self.silent),
            tuple(self.searched),
            tuple(dict.fromkeys(self.not_reached)),
            tuple(self.remarks[:MOST_REMARKS]),
            self.asked,
            self.complete,
            self.interrupted,
        )


def _sources(exchange: Exchange) -> tuple[str, ...]:
    """Return who answered the request, a refusal counts."""
    return tuple(dict.fromkeys(m.source for m in (*exchange.positive(), *exchange.refusals())))


def _candidates(bits: int) -> tuple[str, ...]:
    """Return the request addresses of one identifier width, likely ones first."""
    if bits == 29:
        return tuple(f"18DA{xx:02X}F1" for xx in range(0x100) if xx not in OWN_BYTES)
    ids = (
        number
        for number in range(FIRST_ID, LAST_ID + 1)
        if number not in FUNCTIONAL_IDS | RESPONSE_IDS
    )
    # The usual answer to an identifier comes from eight higher: those are left for later, and
    # left out once a module was heard there.
    return tuple(f"{number:03X}" for number in sorted(ids, key=lambda n: (bool(n & 8), n)))
