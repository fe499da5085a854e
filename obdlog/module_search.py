"""One search for modules under way: each address is asked alone, and whoever answers once more.

One request goes out at a time and waits its time, so that the vehicle's own traffic is not
disturbed. Any answer counts, a refusal too.

References
----------
ISO 14229-1, services 3E and 10; ISO 15765-4 for the legislated addresses; ISO 15765-2 for normal
fixed addressing. That modules of the maker's choice listen at 11-bit identifiers 700–7F7, mostly
with the fourth bit clear, is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

from obdlog import survey
from obdlog.addresses import LEGISLATED_REQUESTS, LEGISLATED_RESPONSES
from obdlog.client import Client
from obdlog.errors import NoAnswerError
from obdlog.model import SEARCH, UNKNOWN_SOURCE, Exchange, Outcome
from obdlog.modules import Language, Module, module_at, usual_request
from obdlog.services.sessions import build_default_session, build_tester_present

WAIT_S = 0.06
"""How long a module may be silent: it has 50 ms (ISO 14229-2, P2server_max)."""
PAUSE_S = 0.02
"""Between an answer and the next request; silence is its own pause."""
OVERHEAD_S = 0.03
"""What an adapter takes besides, for the estimate only."""
PATIENT_WAIT_S = 0.15

SPEED_EVERY = 64
"""So many requests are sent before it is checked again that the vehicle stands."""
MOST_FOUND = 128
MOST_REMARKS = 50
MOST_ADDRESSES = 8
"""Whoever seems to answer at so many addresses may send of itself: it hides no other module."""
GIVE_UP_AFTER = 6
"""After so many requests in a row that the road could not carry, the rest is not tried."""

FUNCTIONAL_REQUESTS = frozenset({"7DF"})
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
UNHEARD = (
    "modules of 11-bit identifiers beyond the legislated ones: this adapter takes a receive filter "
    "that has no effect, so that they may have answered unheard"
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
    reached
        False where the road could not carry it at the width that the car uses.
    """

    modules: tuple[Module, ...] = ()
    silent: tuple[Module, ...] = ()
    searched: tuple[str, ...] = ()
    not_reached: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    asked: int = 0
    complete: bool = True
    interrupted: bool = False
    reached: bool = True


def sources_of(exchange: Exchange) -> tuple[str, ...]:
    """Return who answered the request, as often as it did; a refusal is an answer.

    A promise to answer later counts where nothing else came of its module.
    """
    messages = (*exchange.positive(), *exchange.refusals())
    final = [m.source for m in messages if not m.is_pending]
    return (*final, *dict.fromkeys(m.source for m in messages if m.source not in final))


def shared_remarks(shared: Mapping[str, Sequence[str]], found: Collection[str]) -> list[str]:
    """Return what to say of requests that several modules answer, those `found` alone left out."""
    said = []
    for request, sources in shared.items():
        alone = [s for s in dict.fromkeys(sources) if s not in found]
        if alone:
            said.append(
                f"several modules answer at {request} (from {', '.join(sources[:4])}): they "
                f"cannot be asked apart; {', '.join(alone[:4])} not read"
            )
    return said


@dataclass(slots=True)
class Search:
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
    reached: bool = True
    refused_by_road: str = ""
    _legislated: frozenset[str] = frozenset()
    _elsewhere: dict[str, list[str]] = field(default_factory=dict)
    _heard_at: dict[str, set[str]] = field(default_factory=dict)
    _everywhere: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        """Leave out what answers requests to all: it is known already."""
        self._legislated = survey.legislated(self.client.exchanges)

    def ask(
        self, payload: bytes, request: str, reply_from: str | None, wait_s: float = 0.0
    ) -> Exchange | None:
        """Return the exchange with one address, None where the road cannot carry it.

        `wait_s` [s] is how long the module may be silent where that is more than in a range.
        """
        self.refused_by_road = ""
        try:
            exchange = self.client.ask(
                payload,
                purpose=SEARCH,
                target=request,
                reply_from=reply_from,
                wait_s=max(wait_s, self.wait_s),
                keep=False,
            )
        except ValueError:
            self.refused_by_road = NOT_CARRIED
            return None
        if exchange.messages:
            self.client.exchanges.append(exchange)
        elif "cannot" in exchange.note and exchange.outcome is Outcome.NO_DATA:
            self.refused_by_road = exchange.note
        self.asked += not self.refused_by_road
        return exchange

    def ask_known(self, module: Module) -> None:
        """Ask a module that is known from a map or the case."""
        if module.response in self._legislated or module.response in self.found:
            return
        self.progress(f"asking {module.name}")
        for payload in (build_tester_present(), build_tester_present(Language.ISO_14230)):
            exchange = self.ask(payload, module.request, module.response, PATIENT_WAIT_S)
            count = sources_of(exchange).count(module.response) if exchange is not None else 0
            if count > 1:
                self.shared[module.request] = (module.response,) * count
                return
            if count:
                self.found[module.response] = module
                return
            if exchange is None:
                break
        if self.refused_by_road:
            self.not_reached.append(f"{module.name} ({module.addresses}): {self.refused_by_road}")
        else:
            self.silent.append(module)

    def ask_range(self, bits: int, *, twice: bool) -> bool:
        """Ask every physical address of one identifier width, `twice` those that stay silent.

        Return whether it came to its end.
        """
        payloads = (build_tester_present(), build_default_session())
        for payload in payloads[: 2 if twice else 1]:
            before = self.asked
            stopped = self._ask_all(bits, payload)
            count = self.asked - before
            if count:
                self.searched.append(f"{count} addresses in {RANGES[bits]} ({payload.hex(' ')})")
            if stopped:
                self.not_reached.append(f"{RANGES[bits]}: {stopped}")
                return False
        if bits == 11 and not getattr(self.client.transport, "searches_ranges", True):
            self.not_reached.append(USUAL_ONLY)
        return True

    def _ask_all(self, bits: int, payload: bytes) -> str:
        """Ask the range with `payload`; return why it was given up, else nothing."""
        not_carried, before = 0, ""
        taken = {m.request for m in (*self.found.values(), *self.silent)}
        taken |= {m.response for m in self.silent}
        taken |= {usual_request(address) or "" for address in self._legislated}
        addresses = candidates(bits)
        for number, request in enumerate(addresses):
            answers_there = request in self.found or any(
                request in sources for sources in self.shared.values()
            )
            if request in taken or answers_there or request in {*self.shared, *self._everywhere}:
                continue
            if number % SPEED_EVERY == SPEED_EVERY - 1 and (moves := self._moves()):
                self.complete = False
                return moves
            if number % 16 == 0:
                done = f"{number * 100 // len(addresses)} % of {RANGES[bits]} ({payload.hex(' ')})"
                self.progress(f"{done}: at {request}; found so far: {len(self.found)}")
            exchange = self.ask(payload, request, None)
            if self.refused_by_road:
                not_carried += 1
                if not_carried >= GIVE_UP_AFTER:
                    return self.refused_by_road
            else:
                not_carried = 0
            if exchange is not None:
                self._note(request, exchange, payload, before)
            before = request
            if len(self.found) >= MOST_FOUND:
                return f"given up after {MOST_FOUND} modules"
            if exchange is not None and exchange.messages:
                self.client.transport.clock.sleep_s(PAUSE_S)
        return ""

    def _note(self, request: str, exchange: Exchange, payload: bytes, before: str) -> None:
        """Keep who answered at `request`, or late at the address that was asked `before`."""
        # Without headers the legislated modules answer from nowhere, too.
        known = (
            self._legislated
            if request in LEGISLATED_REQUESTS
            else self._legislated - {UNKNOWN_SOURCE}
        )
        heard = [s for s in sources_of(exchange) if s not in known]
        self._note_everywhere(request, heard, payload)
        for source in set(heard) & self._everywhere:
            self._elsewhere.setdefault(source, []).append(request)
        sources = [s for s in heard if s not in self._everywhere]
        if not heard:
            if exchange.damaged or exchange.outcome is Outcome.GARBLED:
                self.remarks.append(
                    f"what answers at {request} did not arrive whole; it was not read"
                )
        elif UNKNOWN_SOURCE in sources:
            self.remarks.append(
                f"a module answers at {request}, and this road does not tell from where; it was "
                "not read"
            )
        elif sources:
            self._judge(request, sources, payload, before)

    def _judge(self, request: str, sources: Sequence[str], payload: bytes, before: str) -> None:
        """Keep `sources`, which answered at `request`: one is a module, several share it."""
        if len(set(sources)) > 1 or (len(request) == 3) != (len(sources[0]) == 3):
            self.shared[request] = tuple(sources)
        elif sources[0] in self.found:
            self._elsewhere.setdefault(sources[0], []).append(request)
        else:
            self._confirm(sources[0], payload, request, before)

    def _note_everywhere(self, request: str, sources: Sequence[str], payload: bytes) -> None:
        """Note who answers at `request`; whoever does so at too many shares them no longer."""
        new = set()
        for source in set(sources) - self._everywhere - {UNKNOWN_SOURCE}:
            self._heard_at.setdefault(source, set()).add(request)
            if len(self._heard_at[source]) >= MOST_ADDRESSES:
                new.add(source)
        self._everywhere |= new
        for shared, several in list(self.shared.items()) if new else ():
            if new & set(several):
                del self.shared[shared]
                if rest := [s for s in several if s not in self._everywhere]:
                    self._judge(shared, rest, payload, "")

    def _confirm(self, source: str, payload: bytes, *requests: str) -> None:
        """Ask again, so that a late or a stray answer gives no module a wrong address."""
        for request in filter(None, requests):
            exchange = self.ask(payload, request, source, PATIENT_WAIT_S)
            count = sources_of(exchange).count(source) if exchange is not None else 0
            if count > 1:
                self.shared[request] = (source,) * count
                return
            if count:
                self.found[source] = module_at(request, source)
                return
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
        self.remarks += shared_remarks(self.shared, self.found)
        self.remarks += [
            f"{source} sends what looks like an answer whatever address is asked; it was not read"
            for source in sorted(self._everywhere - self.found.keys())
        ]
        heard = any(len(m.response) == len(f"{FIRST_ID:03X}") for m in self.found.values())
        if self.asked and not heard and not getattr(self.client.transport, "obeys_filter", True):
            self.not_reached.append(UNHEARD)
        for response, requests in self._elsewhere.items():
            if response not in self.found:
                continue
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
            tuple(dict.fromkeys(self.remarks))[:MOST_REMARKS],
            self.asked,
            self.complete,
            self.interrupted,
            self.reached,
        )


def candidates(bits: int) -> tuple[str, ...]:
    """Return the request addresses of one identifier width, likely ones first."""
    if bits == 29:
        return tuple(f"18DA{xx:02X}F1" for xx in range(0x100) if xx not in OWN_BYTES)
    # The usual answer to an identifier comes from eight higher: those are left for later, and
    # left out once a module was heard there.
    ids = sorted(range(FIRST_ID, LAST_ID + 1), key=lambda number: (bool(number & 8), number))
    not_asked = FUNCTIONAL_REQUESTS | LEGISLATED_RESPONSES
    return tuple(address for number in ids if (address := f"{number:03X}") not in not_asked)
