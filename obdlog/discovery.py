"""Finds the modules beyond the legislated ones, by requests that change nothing.

How one search goes stands in `obdlog.module_search`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from obdlog import survey
from obdlog.client import Client
from obdlog.errors import NoAnswerError, RefusedError
from obdlog.model import FUNCTIONAL, SEARCH, Bus, Exchange
from obdlog.module_search import (
    NO_STANDARD_SEARCH,
    OVERHEAD_S,
    PATIENT_WAIT_S,
    RANGES,
    WAIT_S,
    Found,
    Progress,
    Search,
    candidates,
    sources_of,
)
from obdlog.modules import Module, may_be_asked, module_at, usual_request
from obdlog.services.sessions import build_default_session, build_tester_present

__all__ = [
    "Found",
    "estimate_s",
    "find_modules",
    "find_one",
    "recorded_modules",
    "recorded_shared",
    "require_stationary",
]

_ANSWERS = 8
"""The bit of an 11-bit identifier that answers usually have set: common practice, no source."""


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
    own = _own_width(client)
    passes = {bits: 2 if thorough or bits == own else 1 for bits in RANGES}
    asked = sum(len(candidates(bits)) * count for bits, count in passes.items())
    return asked * ((PATIENT_WAIT_S if thorough else WAIT_S) + OVERHEAD_S)


def _own_width(client: Client) -> int:
    """Return the identifier width of the connected car [bit]."""
    protocol = client.transport.protocol
    return protocol.id_bits if protocol is not None else 11


def find_modules(
    client: Client,
    known: Sequence[Module] = (),
    *,
    progress: Progress = lambda _: None,
    thorough: bool = False,
) -> Found:
    """Return the modules that answer beside those that answered requests to all.

    Asks `known` modules first, then every physical address of the car's own identifier width, the
    silent ones a second time for the default session (10 01), then the addresses of the other
    width where the road can. Stopped with Ctrl-C it returns what it has.

    Parameters
    ----------
    progress
        Called with a few words now and then.
    thorough
        Wait longer, and ask twice at the other width too.

    Raises
    ------
    LinkError
        The road is gone.
    """
    search = Search(client, progress, PATIENT_WAIT_S if thorough else WAIT_S)
    try:
        for module in known:
            search.ask_known(module)
        if client.bus is Bus.LEGACY:
            search.not_reached.append(NO_STANDARD_SEARCH)
        else:
            own = _own_width(client)
            for bits in sorted(RANGES, key=lambda bits: bits != own):
                if search.complete:
                    ended = search.ask_range(bits, twice=thorough or bits == own)
                    search.reached = search.reached and (ended or bits != own)
    except KeyboardInterrupt:
        search.complete = False
        search.interrupted = True
        search.not_reached.append("the search was stopped before its end")
    return search.result()


def find_one(client: Client, address: str) -> Module | None:
    """Return the module that listens at, or answers from, `address`; None where all is silent.

    Nothing is sent with an identifier that belongs to answers, or lies outside diagnosis. One that
    answers usually come from is asked only where no module says that it is its own.

    Raises
    ------
    NoAnswerError
        Several modules answer there, or the road cannot carry the address.
    """
    search = Search(client, lambda _: None, PATIENT_WAIT_S)
    both = [address, usual_request(address)]
    if len(address) == 3 and int(address, 16) & _ANSWERS:
        both.reverse()
    requests = [a for a in both if a and may_be_asked(a)]
    for request in dict.fromkeys(requests):
        wanted = None if request == address else address
        for payload in (build_tester_present(), build_default_session()):
            exchange = search.ask(payload, request, wanted)
            if search.refused_by_road:
                raise NoAnswerError(f"{request} was not asked: {search.refused_by_road}")
            sources = sources_of(exchange) if exchange is not None else ()
            if len(sources) > 1:
                raise NoAnswerError(
                    f"several modules answer at {request} (from {', '.join(sources[:4])}): they "
                    "cannot be asked apart",
                    hint="Name one in a module map, with the address that it answers from."
                    if len(set(sources)) > 1
                    else "Only one of them may stay connected.",
                )
            if sources:
                return module_at(request, sources[0])
    return None


def recorded_modules(exchanges: Iterable[Exchange]) -> tuple[Module, ...]:
    """Return the modules that a recording asked alone and that answered, in its order."""
    answered: dict[str, Counter[str]] = {}
    for exchange in exchanges:
        sources = sources_of(exchange)
        # Who answers beside others cannot be asked alone there.
        if exchange.request.target != FUNCTIONAL and len(sources) == 1:
            answered.setdefault(sources[0], Counter())[exchange.request.target] += 1
    # An answer may have come late, when another address had been asked: most answers tell.
    return tuple(
        module_at(requests.most_common(1)[0][0], response)
        for response, requests in answered.items()
    )


def recorded_shared(exchanges: Iterable[Exchange]) -> Mapping[str, tuple[str, ...]]:
    """Return the addresses at which several modules answered a recorded search, and from where."""
    return {
        e.request.target: sources_of(e)
        for e in exchanges
        if e.request.purpose == SEARCH and len(sources_of(e)) > 1
    }
