"""Captures typed as text, written by python-can's own writers, and imported."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest

from obdlog.capture.importing import CaptureSummary, import_capture
from obdlog.model import Exchange
from obdlog.session.reader import read_session

DATA = Path(__file__).parents[1] / "data" / "can_captures"
START_S = 1_700_000_000.0

Frame = tuple[float, str, str]
"""Seconds after the start, identifier, data in hex (``R`` a remote frame, ``E`` an error frame)."""


@pytest.fixture
def captures() -> Path:
    """The folder of the two open captures."""
    return DATA


@pytest.fixture
def candump(tmp_path: Path) -> Callable[..., Path]:
    """Write frames as ``candump -L`` does; a text among them stands as it is."""

    def write(frames: Iterable[Frame | str], name: str = "capture.log") -> Path:
        lines = [
            f if isinstance(f, str) else f"({START_S + f[0]:.6f}) can0 {f[1]}#{f[2]}"
            for f in frames
        ]
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return write


@pytest.fixture
def imported(candump, tmp_path) -> Callable[..., tuple[list[Exchange], CaptureSummary]]:
    """Import frames and return the exchanges of the session, and the summary."""

    def run(frames: Iterable[Frame | str]) -> tuple[list[Exchange], CaptureSummary]:
        target = tmp_path / "capture.session.jsonl"
        summary = import_capture(candump(frames), target)
        session = read_session(target)
        assert session.complete
        assert session.warnings == []
        return session.exchanges, summary

    return run


def said(exchange: Exchange) -> tuple[str, str, dict[str, str]]:
    """Return request, target and answers of an exchange as hexadecimal text."""
    return (
        exchange.request.payload.hex().upper(),
        exchange.request.target,
        {m.source: m.payload.hex().upper() for m in exchange.messages},
    )


@pytest.fixture
def as_text() -> Callable[[Sequence[Exchange]], list[Any]]:
    """Exchanges as (request, target, {source: payload})."""
    return lambda exchanges: [said(e) for e in exchanges]
