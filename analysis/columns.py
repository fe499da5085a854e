"""Replies with current data, many at a time, as columns of numbers.

Polling asks the same few questions again and again, so almost all replies of a session have one
of a handful of shapes: the same source, request and length. The bytes of one shape form a matrix;
its columns are decoded at once instead of reply by reply. Cars after SAE J1979-2 answer service
22 with identifiers F4xx in place of service 01 with PIDs; from the layout on nothing differs.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.data import FloatArray
from obdlog.errors import DecodeError, ObdlogError
from obdlog.model import EcuMessage, Exchange, Outcome, Request
from obdlog.services import scales
from obdlog.services.current_data import split_current_data
from obdlog.services.obd_on_uds import classic_exchange, classic_payload, classic_request
from obdlog.tables.decode import Context
from obdlog.tables.vector import decode_columns

MAX_LAYOUTS = 64
"""Most layouts looked for in one shape; replies beyond are noise and would cost quadratic time."""

ByteMatrix = npt.NDArray[np.uint8]


class Column(NamedTuple):
    """Readings of one signal of one source; `value` NaN where the car gave none."""

    source: str
    signal: str
    at_s: FloatArray
    value: FloatArray


class Field(NamedTuple):
    """Where one PID's data stand in a reply."""

    pid: int
    start: int
    end: int


@dataclass(slots=True)
class Shape:
    """The replies of one source to one request with one length [bytes].

    Payloads are first kept as text in `fresh`, their times in `fresh_s`, and turned into bytes
    many at a time by `settle`: that is several times faster than one by one.
    """

    source: str
    ask: str
    length: int
    times: array[float] = field(default_factory=lambda: array("d"))
    raw: bytearray = field(default_factory=bytearray)
    fresh_s: list[float] = field(default_factory=list)
    fresh: list[str] = field(default_factory=list)

    def settle(self) -> int:
        """Move what is fresh to `times` and `raw`; return how many payloads were unreadable."""
        broken = 0
        raw = _bytes_of("".join(self.fresh))
        if raw is not None and len(raw) == len(self.fresh) * self.length:
            self.raw += raw
            self.times.extend(self.fresh_s)
        else:
            for at_s, text in zip(self.fresh_s, self.fresh, strict=True):
                one = _bytes_of(text)
                if one is not None and len(one) == self.length:
                    self.raw += one
                    self.times.append(at_s)
                else:
                    broken += 1
        self.fresh.clear()
        self.fresh_s.clear()
        return broken


def _bytes_of(text: str) -> bytes | None:
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None


@dataclass(slots=True)
class Block:
    """Replies of one shape whose PIDs also stand in the same places."""

    source: str
    fields: tuple[Field, ...]
    at_s: FloatArray
    rows: ByteMatrix


def learn(contexts: dict[str, Context], shape: Shape) -> None:
    """Add to `contexts`, by source, what replies of `shape` say about scales and sensor places.

    One reply of each content is enough; where they differ, the last new one counts.
    """
    asked = bytes.fromhex(shape.ask)
    classic = classic_request(asked) or asked
    if classic[:1] != b"\x01" or not set(classic[1:]) & set(scales.SCALE_PIDS):
        return
    replies = [
        bytes(shape.raw[at : at + shape.length]) for at in range(0, len(shape.raw), shape.length)
    ]
    for payload in dict.fromkeys(replies):
        message = EcuMessage(shape.source, payload)
        exchange = Exchange(0.0, Request(asked), (message,), Outcome.ANSWERED)
        scales.learn(contexts, classic_exchange(exchange))


def blocks_of(shape: Shape, context: Context, warnings: list[str]) -> Iterator[Block]:
    """Yield the replies of `shape`, split by where the PIDs stand in them.

    What the source says of its banks (PID 1D) tells how long its trims are.

    A car may answer the same request in another order, or leave a PID out, at the same length; the
    first reply gives a layout, the rows that share its PID bytes are taken, and the rest repeats.
    """
    asked = bytes.fromhex(shape.ask)
    classic = classic_request(asked)
    request = classic or asked
    pids = list(request[1:]) if request[:1] == b"\x01" else None
    at_s = np.frombuffer(shape.times, dtype=np.float64)
    rows = np.frombuffer(shape.raw, dtype=np.uint8).reshape(-1, shape.length)
    width = 2 if classic else 1
    broken = 0
    for _ in range(MAX_LAYOUTS):
        if not rows.shape[0]:
            break
        first = bytes(rows[0])
        try:
            fields = _layout(first, asked if classic else b"", pids, context)
        except DecodeError:
            same = (rows == rows[0]).all(axis=1)
            broken += int(same.sum())
        else:
            places = [at for f in fields for at in range(f.start - width, f.start)]
            same = (rows[:, places] == rows[0, places]).all(axis=1)
            if same.all():
                yield Block(shape.source, fields, at_s, rows)
                rows = rows[:0]
                break
            yield Block(shape.source, fields, at_s[same], rows[same])
        at_s, rows = at_s[~same], rows[~same]
    broken += rows.shape[0]
    if broken:
        warnings.append(
            f"{broken} replies of {shape.source} to {shape.ask} do not fit the request's layout"
        )


def _layout(
    payload: bytes, identifiers: bytes, pids: Sequence[int] | None, context: Context
) -> tuple[Field, ...]:
    """Return where the PIDs stand; `identifiers` is the request where it names identifiers."""
    width = 2 if identifiers else 1
    shown = classic_payload(identifiers, payload) if identifiers else payload
    if shown is None:
        raise DecodeError("the reply does not answer its request", payload=payload)
    found: list[Field] = []
    position = 1
    for pid, data in split_current_data(shown, pids, context):
        found.append(Field(pid, position + width, position + width + len(data)))
        position += width + len(data)
    return tuple(found)


def columns_of(block: Block, context: Context, warnings: list[str]) -> Iterator[Column]:
    """Yield the signals of `block`; a field that never holds a value yields nothing."""
    for place in block.fields:
        if place.pid % 0x20 == 0:  # bitmaps of supported PIDs are not readings
            continue
        try:
            decoded = decode_columns(place.pid, block.rows[:, place.start : place.end], context)
        except (ObdlogError, ValueError) as error:
            warnings.append(f"PID {place.pid:02X} of {block.source}: {error}")
            continue
        for signal, value in decoded.items():
            if not np.isnan(value).all():
                yield Column(block.source, signal, block.at_s, value)


def frame_of(columns: list[Column]) -> pd.DataFrame:
    """Return `columns` as one long frame, sorted by time; see `SessionData.readings`.

    The list is emptied on the way: with it, a long session would be in memory twice.
    """
    sources = sorted({column.source for column in columns})
    signals = sorted({column.signal for column in columns})
    source_code = {name: code for code, name in enumerate(sources)}
    signal_code = {name: code for code, name in enumerate(signals)}
    sizes = [column.at_s.size for column in columns]
    small = np.min_scalar_type(-max(len(sources), len(signals), 1))
    of_source = np.repeat(np.array([source_code[c.source] for c in columns], small), sizes)
    of_signal = np.repeat(np.array([signal_code[c.signal] for c in columns], small), sizes)
    at_s = np.concatenate([c.at_s for c in columns]) if columns else np.empty(0)
    value = np.concatenate([c.value for c in columns]) if columns else np.empty(0)
    columns.clear()
    order = np.argsort(at_s, kind="stable")
    at_s, value = at_s[order], value[order]
    of_source, of_signal = of_source[order], of_signal[order]
    return pd.DataFrame(
        {
            "at_s": at_s,
            "source": pd.Categorical.from_codes(of_source, categories=pd.Index(sources)),
            "signal": pd.Categorical.from_codes(of_signal, categories=pd.Index(signals)),
            "value": value,
        },
        index=pd.RangeIndex(at_s.size),
        copy=False,
    )
