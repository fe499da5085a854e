"""Adapters as they are met: what each can do, claims to be, and does wrong."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.errors import LinkOpenError, OpenFailure


@dataclass(frozen=True, slots=True)
class Personality:
    """An adapter's character.

    `unknown` lists command beginnings (after ``AT``) that it answers with ``?``.
    `keep_frames` cuts longer CAN replies after so many frames. `nul_rate` and `drop_rate` are
    chances per byte. `overhead_s` is its own delay per request [s].
    """

    name: str
    title: str
    identity: str = "ELM327-style v1.5"
    device: str = "SIMULATED ADAPTER"
    baud: int = 115_200
    overhead_s: float = 0.002
    unknown: tuple[str, ...] = ()
    counts: bool = True
    filters: bool = True
    adaptive: bool = True
    pads: bool = False
    keep_frames: int = 0
    nul_rate: float = 0.0
    drop_rate: float = 0.0


_ALL = (
    Personality("plain", "a sound adapter that does all it claims"),
    Personality(
        "minimal",
        "knows only the basic commands and prints the padding of CAN frames",
        identity="ELM327-style v1.0",
        baud=38_400,
        unknown=("@", "AL", "AT", "DPN", "CRA", "CF", "CM", "FC", "PP", "ST", "D1", "WS"),
        counts=False,
        adaptive=False,
        pads=True,
    ),
    Personality(
        "counterfeit",
        "claims a newer version, cuts long replies, ignores the count digit and filters",
        identity="ELM327-style v2.1",
        device="",
        baud=38_400,
        overhead_s=0.012,
        unknown=("@", "PP", "CV", "KW"),
        counts=False,
        filters=False,
        adaptive=False,
        keep_frames=2,
    ),
    Personality(
        "noisy",
        "a bad connection: NUL bytes and now and then a lost byte",
        baud=38_400,
        nul_rate=0.01,
        drop_rate=0.0006,
    ),
    Personality(
        "fixed-filter",
        "sound, but refuses every command for receive filter and flow control",
        unknown=("AR", "CRA", "CF", "CM", "FC"),
    ),
    Personality("slow-speed", "a sound adapter at 9600 bit/s", baud=9_600, overhead_s=0.008),
)

PERSONALITIES: dict[str, Personality] = {p.name: p for p in _ALL}


def load_personality(name: str) -> Personality:
    """Return the adapter character of that name.

    Raises
    ------
    LinkOpenError
        There is none; the hint lists those there are.
    """
    if name not in PERSONALITIES:
        raise LinkOpenError(
            f"there is no simulated adapter {name[:40]!r}",
            reason=OpenFailure.BAD_URL,
            hint="choose one of: " + ", ".join(PERSONALITIES),
        )
    return PERSONALITIES[name]


def personalities() -> dict[str, str]:
    """Return every simulated adapter's name and one-line description."""
    return {name: nature.title for name, nature in PERSONALITIES.items()}
