"""Loading a session, against the least that any loader must do with the same file.

That floor decodes the lines with msgspec and turns each shape of reply (who, asked what, how
long) into bytes once. It makes no readings of them, so `analysis.load` cannot reach it.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from time import perf_counter

import msgspec
import numpy as np

from analysis.load import load
from obdlog.session.format import ExchangeRecord

# Questions and replies of one cycle of an ordinary poll plan (SAE J1979 on ISO 15765-4): six PIDs
# a request, two modules.
CYCLE = (
    ("01030406070B0C", "4103020004{a}068007800B{a}0C{a}{b}", "410C{a}{b}"),
    ("010D0E10111415", "410D{a}0E80100{c}{b}11{a}145A80155AFF", "410D{a}"),
    ("012E3242434445", "412E00320000423{c}8B43{a}0044800045{a}", "4142308B"),
    ("0147494A4C5E", "41472A49{a}4A134C0B5E00{b}", None),
)
CYCLE_S = 0.25
RUNS = 7


def write_drive(path: Path, minutes: float) -> int:
    """Write a drive of that length and return the number of its exchanges."""
    count = int(minutes * 60 / CYCLE_S) * len(CYCLE)
    lines = ['{"kind":"session","version":1,"started":"2026-01-01T00:00:00Z"}']
    lines += (_exchange(number) for number in range(count))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return count


def _exchange(number: int) -> str:
    ask, first, second = CYCLE[number % len(CYCLE)]
    at = number * CYCLE_S / len(CYCLE)
    parts = {"a": f"{number % 251:02X}", "b": f"{number % 241:02X}", "c": f"{number % 13:X}"}
    got = f'["7E8","{first.format(**parts)}",0.019034]'
    if second is not None:
        got += f',["7E9","{second.format(**parts)}",0.020604]'
    return f'{{"kind":"exchange","at":{at:.6f},"ask":"{ask}","got":[{got}],"purpose":"poll"}}'


def floor(path: Path) -> int:
    """Do the least that loading needs; return how many bytes of replies there were."""
    decoder = msgspec.json.Decoder(ExchangeRecord)
    shapes: dict[tuple[str, str, int], list[str]] = {}
    for block in _blocks(path):
        for record in decoder.decode_lines(block):
            ask = record.ask
            for got in record.got:
                key = (got.source, ask, len(got.payload))
                texts = shapes.get(key)
                if texts is None:
                    texts = shapes[key] = []
                texts.append(got.payload)
    return sum(
        np.frombuffer(bytes.fromhex("".join(texts)), np.uint8).reshape(len(texts), -1).size
        for texts in shapes.values()
    )


def _blocks(path: Path) -> Iterator[bytes]:
    """Yield whole lines, the header left out; small blocks are fastest."""
    with path.open("rb") as file:
        file.readline()
        while lines := file.readlines(1 << 18):
            yield b"".join(lines)


def best_s(work: Callable[[], object], runs: int = RUNS) -> float:
    """Return the shortest of several runs [s]: the one that other programs disturbed least."""
    spent = []
    for _ in range(runs):
        before = perf_counter()
        work()
        spent.append(perf_counter() - before)
    return min(spent)


def best_of_each_s(
    one: Callable[[], object], other: Callable[[], object], runs: int = RUNS
) -> tuple[float, float]:
    """Return the shortest run of each [s], taken in turns so that both meet the same machine."""
    spent = [(best_s(one, 1), best_s(other, 1)) for _ in range(runs)]
    return min(s for s, _ in spent), min(s for _, s in spent)


def peak_bytes(work: Callable[[], object]) -> int:
    """Return the most memory that `work` held at once [bytes]."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def measure(folder: Path) -> Iterator[str]:
    """Yield one line a measure."""
    short, long = folder / "short.session.jsonl", folder / "long.session.jsonl"
    write_drive(short, 10)
    write_drive(long, 100)
    loading_s, least_s = best_of_each_s(lambda: load(long), lambda: floor(long))
    data = load(long)
    readings = len(data.readings)
    yield (
        f"load: {loading_s / least_s:.2f} × the floor's time (aim: 2), "
        f"{readings / loading_s:,.0f} readings a second"
    )
    columns = int(data.readings.memory_usage(index=False).sum())
    yield f"load: {peak_bytes(lambda: load(long)) / columns:.2f} × the columns' memory (aim: 3)"
    growth = loading_s / (10 * best_s(lambda: load(short), 3))
    yield f"load: ten times the drive takes {growth:.2f} × ten times the time (aim: about 1)"
