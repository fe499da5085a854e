"""Splitting of a payload that carries several identifiers without saying how long each is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from obdlog.errors import DecodeError

MAX_PAYLOAD = 4095
"""Longest message of ISO 15765-2 with a 12-bit length [bytes]."""

_MAX_SPLIT = 512
_MAX_WAYS = 32
_MAX_UNKNOWN = 64
_FILLERS = (b"\x00", b"\x55", b"\xaa", b"\xcc", b"\xff")

Item = tuple[int, bytes]
Lengths = Callable[[int], tuple[int, ...]]


def check_reply(payload: bytes, reply: int, least: int = 1) -> None:
    """Raise unless `payload` begins with the byte `reply` and has `least` bytes.

    Raises
    ------
    DecodeError
        Empty, of another service, too short, or longer than a message can be.
    """
    if not payload:
        raise DecodeError("the reply is empty", payload=payload)
    if payload[0] != reply:
        raise DecodeError(
            f"the reply begins with {payload[0]:02X}, expected {reply:02X}", payload=payload
        )
    if len(payload) < least:
        raise DecodeError(
            f"the reply is cut short: {len(payload)} of at least {least} bytes", payload=payload
        )
    if len(payload) > MAX_PAYLOAD:
        raise DecodeError(f"the reply is longer than {MAX_PAYLOAD} bytes", payload=payload[:16])


def split_items(
    body: bytes,
    lengths: Lengths,
    requested: Sequence[int] | None = None,
    *,
    id_bytes: int = 1,
    skip: int = 0,
) -> tuple[Item, ...]:
    """Return the (identifier, data) pairs of `body`, in its order.

    Every combination of allowed lengths that consumes the body exactly is considered. Of those,
    the one wins that names only requested identifiers, none of them twice, most of them, then
    the one with the likeliest lengths (`lengths` gives those first), then the one in the order
    of the request; where that is unknown, the one with fewest identifiers, as data look like
    identifiers by chance. `skip` bytes after each identifier stay in front of its data (service
    02's frame number). An identifier without a known length is accepted where it is alone, or the
    only such one of those requested: its data are then what the others leave over.

    Raises
    ------
    DecodeError
        No combination fits.
    """
    if len(body) < id_bytes:
        raise DecodeError("the reply carries no identifier", payload=body)
    if len(body) > _MAX_SPLIT:
        raise DecodeError("the reply is too long to carry separate values", payload=body[:16])
    unknown = {identifier for identifier in requested or () if not lengths(identifier)}
    guess = lengths
    if len(unknown) == 1 and len(set(requested or ())) > 1:
        guess = _with_any(lengths, next(iter(unknown)), len(body))
    once = next(iter(unknown)) if guess is not lengths else None
    ways = _ways(body, guess, requested, id_bytes=id_bytes, skip=skip, once=once)[-1]
    best = ways[0].items() if ways else None
    # Data of an unknown identifier can look like identifiers that nobody asked for.
    if best is not None and not (unknown and _strangers(best, requested)):
        return best
    identifier = int.from_bytes(body[:id_bytes], "big")
    data = body[id_bytes:]
    if not lengths(identifier) and (requested is None or list(requested) == [identifier]):
        return ((identifier, data),)
    name = f"{identifier:0{id_bytes * 2}X}"
    allowed = sorted(lengths(identifier))
    if allowed and list(requested or ()) == [identifier]:
        wanted = " or ".join(map(str, allowed))
        raise DecodeError(
            f"identifier {name} has {wanted} data bytes, not {len(data) - skip}", payload=body
        )
    raise DecodeError(
        f"the bytes after identifier {name} do not add up to known lengths", payload=body
    )


def split_leading(
    body: bytes, lengths: Lengths, requested: Sequence[int] | None = None, *, skip: int = 0
) -> tuple[tuple[Item, ...], int] | None:
    """Return the pairs before the first one-byte identifier of unknown length, and that one.

    None where the bytes before no such identifier add up. Of several places the first is taken.
    """
    body = body[:_MAX_SPLIT]
    ways = _ways(body, lengths, requested, skip=skip)
    for end, identifier in enumerate(body):
        if end == 0 or lengths(identifier) or not ways[end]:
            continue
        if requested is not None and identifier not in requested:
            continue
        items = ways[end][0].items()
        if not _strangers(items, requested):
            return items, identifier
    return None


def _with_any(lengths: Lengths, unknown: int, most: int) -> Lengths:
    """Return `lengths` with any length for the one identifier `unknown`."""
    anything = tuple(range(1, min(most, _MAX_UNKNOWN)))
    return lambda identifier: anything if identifier == unknown else lengths(identifier)


def _strangers(items: Sequence[Item], requested: Sequence[int] | None) -> bool:
    return requested is not None and any(name not in requested for name, _ in items)


class _Way(NamedTuple):
    """One way to read the bytes so far; ways are compared by `cost`, the lower the better."""

    cost: tuple[int, int, int, int, int] = (0, 0, 0, 0, 0)
    seen: int = 0
    place: int = -1
    item: Item = (0, b"")
    before: _Way | None = None

    def items(self) -> tuple[Item, ...]:
        found: list[Item] = []
        way: _Way | None = self
        while way is not None and way.before is not None:
            found.append(way.item)
            way = way.before
        return tuple(reversed(found))


def _ways(
    body: bytes,
    lengths: Lengths,
    requested: Sequence[int] | None,
    *,
    id_bytes: int = 1,
    skip: int = 0,
    once: int | None = None,
) -> list[list[_Way]]:
    """Return for each place in `body` the few best ways to read the bytes before it, best first.

    Each way carries its cost on, so that hostile data cost time in proportion to their length.
    `once` is an identifier that no way may hold twice.
    """
    places = _places(requested)
    ways: list[list[_Way]] = [[] for _ in range(len(body) + 1)]
    ways[0] = [_Way()]
    for start in range(len(body) + 1):
        ways[start] = sorted(ways[start], key=lambda way: way.cost)[:_MAX_WAYS]
        first = start + id_bytes
        if not ways[start] or first >= len(body):
            continue
        identifier = int.from_bytes(body[start:first], "big")
        for unlikely, length in enumerate(lengths(identifier)):
            end = first + skip + length
            if end > len(body):
                continue
            item = (identifier, body[first:end])
            ways[end] += [
                _longer(way, item, unlikely, places)
                for way in ways[start]
                if identifier != once or not way.seen >> identifier & 1
            ]
    return ways


def _places(requested: Sequence[int] | None) -> dict[int, int] | None:
    """Return where each requested identifier stands first, None where the request is unknown."""
    if requested is None:
        return None
    return {identifier: place for place, identifier in reversed(list(enumerate(requested)))}


def _longer(way: _Way, item: Item, unlikely: int, places: dict[int, int] | None) -> _Way:
    """Return `way` with one more item; `unlikely` is the rank of the item's length."""
    strangers, repeats, wanted, unlikelies, disorder = way.cost
    name, place = item[0], way.place
    new = not way.seen >> name & 1
    if places is None:
        disorder += 1  # only the number of identifiers
    elif (found := places.get(name)) is None:
        strangers += 1
    else:
        wanted -= new
        disorder += place > found
        place = found
    cost = (strangers, repeats + (not new), wanted, unlikelies + unlikely, disorder)
    return _Way(cost, way.seen | 1 << name, place, item, way)


def without_filler(data: bytes, length: int) -> bytes:
    """Return `data` cut to `length` where one filler byte (00, 55, AA, CC, FF) fills the rest.

    ISO 15765-2 pads the last frame; an adapter may pass the padding on.
    """
    return data[:length] if length > 0 and is_filler(data[length:]) else data


def is_filler(rest: bytes) -> bool:
    """Return whether `rest` is the filler of a last frame: one such byte throughout."""
    return rest[:1] in _FILLERS and not rest.strip(rest[:1])
